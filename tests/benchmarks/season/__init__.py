"""A season on an invented site, lived to its end: what following the mails is worth against a careful habit.

The season knows nothing of the product. Sky, soil, machines and crews are equations and draws of its own; only
`product.py` imports the product, in a process of its own, and gives back what the mails tell each crew.

Measured, of 80 lifts. Twelve seeds without mails: habit 68.9 accepted, 7.3 failed, 11.4 strip-days waited inside, 2.9
doses on strips inside, 113.9 tests; habit that seals every evening 72.5, 7.6, 12.2, 2.9, 111.2 and 25.2 seals; who
knows the truth 77.3, 0.7, 1.3. Eleven seeds (0 to 10) of mails with all recorded: 74.5 accepted (5.4 above habit on
the same seeds, standard error 2.6; 1.8 above the habit that seals, 2.2), 3.7 failed, 7.7 waited inside, 5.9 seals, no
doubled dose; 5.5 doses on strips inside and 137 tests are more than habit's. Half of the tests are those of each lift
as it is laid, and 42 of 44 watered strips were accepted after a test that found them inside. With half or nothing
recorded they were not lived again.
"""
