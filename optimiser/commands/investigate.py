"""``optimiser investigate``: where the process or the machine is the problem, and not the limit."""

import argparse
from dataclasses import asdict

from optimiser.commands.common import (
    add_plant,
    open_for_command,
    print_json,
    read_inputs,
    refuse_unknown_family,
    say,
)


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    add_plant(parser)
    parser.add_argument("--family", help="show only this family; all are asked")


def run(parsed: argparse.Namespace) -> int:
    """Print every finding with its size and what to do, and rows for what stands apart."""
    from optimiser.proposal.causes import investigate
    from optimiser.studies.overrides import propose_override
    from optimiser.views import cause_tables, tables
    from optimiser.views.reasons import cause_words
    from optimiser.views.sentences import only_called_words

    plant, live, path = read_inputs(parsed)
    if parsed.family is not None:
        refuse_unknown_family(parsed.family, plant)
    # Calls that the recipe does not explain are a finding here and no reason to refuse.
    with open_for_command(plant, live, path) as history:
        causes = investigate(history, live)
        shown = [c for c in causes.found if parsed.family in {None, c.family}]
        rows = [propose_override(history, live, c) for c in shown]
    if parsed.json:
        print_json(
            [
                asdict(c)
                | {"words": cause_words(c), "override": asdict(row) if row is not None else None}
                for c, row in zip(shown, rows, strict=True)
            ]
        )
    else:
        currency = plant.file.plant.currency
        for line in only_called_words(plant):
            say(line)
        print(tables.show(cause_tables.cause_text(causes, shown, rows, currency=currency)), end="")
    return 0
