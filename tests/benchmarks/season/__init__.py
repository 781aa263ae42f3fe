"""A season on an invented site, lived to its end: what following the mails is worth against a careful habit.

The season knows nothing of the product. Sky, soil, machines and crews are equations and draws of its own; only
`product.py` imports the product, in a process of its own, and gives back what the mails tell each crew.

Measured, of 80 lifts, twelve seeds (0 to 11); differences are paired by seed, with their standard errors:

    policy              accepted  failed  waited  doses  on inside  tests  seals  caught  against habit
    habit                   68.9     7.3    11.4   12.2        2.9  113.9      -    18.8
    habit, sealing          72.5     7.6    12.2   12.1        2.9  111.2   25.2     9.4  +3.6 (1.4)
    who knows the truth     77.3     0.7     1.8   13.5        4.3    2.3    7.8     5.9  +8.4 (2.4)
    mails, all recorded     73.2     3.6     7.4    9.3        2.2  123.3    5.5     7.6  +4.3 (1.8)
    mails, half             73.4     3.9     9.2    9.1        1.8  131.0    6.8     8.1  +4.5 (2.0)
    mails, none             73.1     4.3     9.2    9.1        1.8  130.6    5.6     7.0  +4.2 (2.0)

"waited" are strip-days inside the window on which it was not rolled, "on inside" doses on strips inside, "caught"
lifts that rain found loose. Against all recorded half comes to +0.2 lifts (0.6) and nothing to -0.2 (0.6); all
recorded against the habit that seals to +0.8 (1.4). No dose was doubled.
With the look at nine, nine seeds (0 to 4 and 8 to 11): 71.8 accepted, +4.1 (1.9) against habit and +0.3 (0.8) against
all recorded without it, 3.1 failed, 10.4 waited, 2.1 doses inside, 128 tests, 8.6 seals. One dose was doubled there:
watering that was over by nine was read from the plan as an instruction, which no mail says. That is mended, and not
lived again.
Of what was asked one is missed: tests are 108 % of habit's, not 70 % (80). Each lift that is spread is tested once,
which alone is 64 of the 123; 24 follow a disking, 12 stand beside another at a window's edge, 10 follow water. Failed
lifts are just within half of habit's (3.7) with all recorded, and just not with half or nothing. Light waterings of a
top, 13 a season, are no doses: they have a column of their own.
"""
