"""Inspection limits from labelled history: proposals that are safe, proven and signed.

Data flows one way, a folder per station::

    plant     what is measured, what it costs, what is allowed
    recipe    the limits in force, overrides included
    history   what was measured and what is known of it
    tally     how far each limit may move, and exact counts over that grid
    search    the exact front of the past; the setting that keeps its promise
    evidence  intervals: what the numbers may be trusted for
    proposal  what an engineer signs or refuses
    ledger    who decided what, and the revisions that go out
    monitoring what followed
    views     tables and charts of all of these
    commands  one file per command of the command line

Start reading at ``proposal/propose.py``: it is the line above, as code.
"""

__version__ = "0.1.0"
