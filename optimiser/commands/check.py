"""``optimiser check``: whether history, recipe and plant file are usable."""

import argparse

from optimiser.commands.common import (
    add_plant,
    print_json,
    read_inputs,
    reading_bar,
    working_bar,
)
from optimiser.errors import HistoryError, OptimiserError, UsageError

configure = add_plant


def run(parsed: argparse.Namespace) -> int:
    """Print every finding; 0 where the history is usable, else 1."""
    from optimiser.history.contract import Finding, findings_of
    from optimiser.history.read import open_history
    from optimiser.tally.check import check
    from optimiser.views import tables

    findings: list[Finding]
    used = aside = 0
    try:
        plant, live, path = read_inputs(parsed)
        with reading_bar() as watch:
            opened = open_history(plant, on_start=watch)
        with opened as history:
            with working_bar(history, "checking"):
                findings = check(history, live, path)
            used, aside = history.rows_used, history.rows_set_aside
    except HistoryError as error:
        findings = list(findings_of(error))
        aside = sum(f.count for f in findings if f.level == "set aside")
    except UsageError:
        raise
    except OptimiserError as error:
        findings = [
            Finding(level="error", rule=str(error), file=str(parsed.plant), way_out="correct it")
        ]
    usable = not any(f.level == "error" for f in findings)
    if parsed.json:
        rows = [f.as_dict() for f in findings]
        print_json({"usable": usable, "rows_used": used, "rows_set_aside": aside, "findings": rows})
    else:
        shown = tables.findings_table(findings, rows_used=used, rows_set_aside=aside, usable=usable)
        print(tables.show(shown), end="")
    return 0 if usable else 1
