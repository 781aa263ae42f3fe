"""A season on an invented site, lived to its end: what following the mails is worth against a careful habit.

The season knows nothing of the product. Sky, soil, machines and crews are equations and draws of its own; only
`product.py` imports the product, in a process of its own, and gives back what the mails tell each crew.

Measured, of 80 lifts. Twelve seeds without mails: habit 68.9 accepted, 7.3 failed, 11.4 strip-days waited inside, 2.9
doses on strips inside, 113.9 tests; habit that seals every evening 72.5, 7.6, 12.2, 2.9, 111.2 and 25.2 seals; who
knows the truth 77.3, 0.7, 1.3. Three seeds (0 to 2: dry, mixed, wet) of mails with all recorded against habit on the
same three: 72.0 (66.0) accepted, 4.0 (7.3) failed, 6.0 (6.3) waited inside, 5.0 (3.7) doses on strips inside, 131
(109) tests, 4.3 seals. Half of the tests are those of each lift as it is laid; 42 of 44 watered strips were accepted
after a test that found them inside.
"""
