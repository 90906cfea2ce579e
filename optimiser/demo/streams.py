"""Numbers that keep the streams of random numbers apart.

A stream is ``numpy.random.default_rng([seed, number, ...])``, what follows the number being
the row of the family, the day or both. A number given to two purposes would tie them.
"""

PROCESS, CALIBRATION = 11, 12
SCHEDULE, PLACES, LIMITS, LOTS, COUNTS, DAY, LABELS, MUST, TRUTH = range(21, 30)
