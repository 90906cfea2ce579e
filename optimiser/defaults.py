"""What a command line offers, and what holds where it names nothing; light enough for every help."""

TRIALS = 60
"""Ways of choosing limits that are tried for each family."""

STAGE = "post-reflow"
"""The stage that an audit picks from."""

LABEL_DAYS = 14.0
"""Days after inspection on which a label is taken as final."""

SCENARIOS = ("constant", "expert", "laboratory")
"""How reviewers' misses depend on their load."""

ESCAPE_SECONDS = 20.0
"""Seconds for the cheapest settings that would have caught an escape."""

PLANT_VARIABLE = "OPTIMISER_PLANT"
"""Environment variable that names the plant of the notebooks, whatever their first cell says."""
