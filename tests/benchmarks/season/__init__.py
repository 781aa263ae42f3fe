"""A season on an invented site, lived to its end: what following the mails is worth against a careful habit.

The season knows nothing of the product. Sky, soil, machines and crews are equations and draws of its own; only
`product.py` imports the product, in a process of its own, and gives back what the mails tell each crew.

Measured, of 80 lifts, twelve seeds (0 to 11); differences are paired by seed, with their standard errors. The habit
that seals and who knows the truth were lived earlier, on the same draws; no product stands in them:

    policy              accepted  failed  waited  doses  on inside  tests  seals  caught  against habit
    habit                   68.9     7.3    11.4   12.2        2.9  113.9     -    18.8
    habit, sealing          72.5     7.6    12.2   12.1        2.9  111.2   25.2     9.4  +3.6 (1.4)
    who knows the truth     77.3     0.7     1.8   13.5        4.3    2.3    7.8     5.9  +8.4 (2.4)
    mails, all recorded     74.2     2.8     8.9    9.8        2.3  103.8   6.1      7.7  +5.2 (2.0)
    mails, half             72.2     4.9     9.0    9.8        1.9  109.8   7.2      9.2  +3.3 (1.6)
    mails, none             72.9     4.2     8.8    9.2        1.8  109.3   6.2      7.2  +4.0 (1.8)
    mails, look at nine     74.5     3.7     9.8    9.2        2.0  108.5   5.6      8.1  +5.5 (2.0)

"waited" are strip-days inside the window on which it was not rolled, "on inside" doses on strips inside, "caught"
lifts that rain found loose; the look was lived on the first eleven seeds. Against all recorded half comes to -1.9 lifts
(0.9) and nothing to -1.3 (0.7). No dose was doubled. Recording density tests alone takes 0.5 (0.3, six seeds) off the
failed lifts.
Of what was asked, tests are 91 to 96 % of this habit's, which puts its gauge on loose lifts alone, and 68 % of who puts
one on every strip every morning (half and nothing recorded 72 and 71 %, the look 71 %), where 70 % was asked. Failed
lifts are 0.38 of habit's with all recorded, 0.51 with the look, 0.67 and 0.58 with half and nothing; 0.5 was asked.
Each lift that is spread is tested once, which alone was some 65 of 115; 20 followed a disking, 11 stood beside another
at a window's edge, 13 were of a morning. None of these is waste: what was thought before a morning's test foretold its
outcome with nine in ten in 8 of 230, and tests after a disking release half of the lifts however wet the test before.
What other lifts of one borrow say spares no test of the next: drawn for these sites, with the borrow's mean and
spread learned from every test so far, 24 lifts a season are held for right with 0.85, 88 % of them are, and rolled
untested 12 % fail, against 4 % of those that a test releases. Asking 0.4 of a test in place of 0.25 (test_worth_chance)
spares some 7 tests and costs 1.2 strip-days waited and half a dose on strips inside. Light waterings of a top, 13 a
season, are no doses: they have a column of their own.

A lift inside at the wet edge is disked, aired and rolled without a second test: on five seeds (0 to 4) 9.4 tests
fewer (1.6), lifts accepted +0.2 (0.5), failed 0.0 (0.3), waited 0.0 (0.3), 1.0 diskings more (0.7). How wide the
soil's errors are taken to be came after that: tails of fill cut at 3.5 % for 7 %, on the same seeds, -0.8 failed
(0.9), -1.0 tests (0.8) and +0.4 waited (0.7). The table was lived before such a lift had to stay dry from its test
on: on the same seeds 0.4 tests more (0.4), 0.2 failed more (0.2), all else as it was. Tried with it without gain: to
release a lift that was told to be rolled on an earlier day, and of which nobody recorded anything, only in the middle
half of its window. On the same seeds, nothing recorded, 0.6 lifts fewer failed (0.2), 1.8 fewer were accepted (1.0),
and 2.4 more strip-days were waited (0.8).
Loose lifts after rain are 1.3 points wetter than said (0.2, 70 strip-mornings), most of it on the first morning: the
first lift stands in the config as loose, nobody recorded it as spread, and it is taken to share its rain with what lies
below. Taken for a lift of its own, the first morning was on average 0.1 points drier than said, not 1.0 wetter (seven
seeds, which differ by 1.4); with that and the middle half all recorded came to 0.9 lifts fewer (0.4), 3.9 tests more
(2.3) and as many failed: not taken.
"""
