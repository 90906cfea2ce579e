"""The command line: ``optimiser COMMAND``.

Exit codes: 0 done and usable, 1 the input cannot be used, 2 called wrongly, 130 stopped
with Ctrl-C or SIGTERM (what was found is kept).
"""

import argparse
import importlib
import re
import signal
import sys
from collections.abc import Iterable, Sequence
from difflib import get_close_matches

from optimiser import __version__
from optimiser.errors import OptimiserError

COMMANDS = {
    "demo": "write an invented plant, check it, propose on it",
    "begin": "from an export of any shape to a plant file: look, propose how to read it, check",
    "recipe": "say whether the limits that results carry are the recipe's, and take them over",
    "fetch": "bring new rows of databases into the plant's inbox",
    "check": "say whether history, recipe and plant file are usable",
    "replay": "say what a recipe does to the history",
    "front": "print the fewest false calls for each number of escapes",
    "escape": "say what would have caught a defect that escaped, and what that costs",
    "propose": "propose limits per family, with an honest promise",
    "start": "propose first limits for a family with little or no history",
    "renew": "propose one family anew and put the change before its signers",
    "plan": "share out the hours of review over all families, with a promise for the whole line",
    "nightly": "read what is new, renew the proposals that it concerns, record changes",
    "last-night": "say what the last night brought, changed and left to do",
    "backtest": "walk forward in time: what was promised and what followed",
    "investigate": "say where the process or the machine is the problem, and not the limit",
    "stages": "follow items through the stages: later verdicts as labels, what foretells them, its price",
    "gauge": "say how far measurements repeat, from a study of repeated readings",
    "flicker": "say how many calls of each limit a second inspection would not make",
    "risk": "say consumer's and producer's risk of limits that guard a workmanship bound",
    "reviewers": "say what limits and reviewers lose together, by call load",
    "agreement": "say how far reviewers agree, from double reviews",
    "audit": "pick passed items to inspect again, and say what their verdicts prove",
    "relabel": "list the labels worth a second look, and read back what it found",
    "learn": "say what an hour of looking is worth, family by family, and write its sheets",
    "watch": "say whether exported changes keep their promise",
    "shadow": "say what a recipe would have called, as results arrive, before it is applied",
    "waiting": "print the proposals that wait for a signature",
    "accept": "sign a proposal",
    "hold": "put a proposal aside",
    "reject": "turn a proposal down",
    "withdraw": "take a proposal back before it is exported",
    "history-of": "print what was proposed and decided for a family",
    "export": "write the next revision of the recipe from signed proposals",
    "rollback": "write a revision with the limits of an earlier one",
    "verify-ledger": "say whether the ledger is as it was written",
    "show": "open the notebooks as screens in a browser, without code",
    "report": "write the manager's page: expected and realised saving, quality, decisions",
}


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code.

    Parameters
    ----------
    arguments : sequence of str, optional
        Without the program's name; by default the process's own.

    Returns
    -------
    int
    """
    if arguments is None:
        # A start in the background may leave Ctrl-C ignored; a request to end means the same.
        signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        return _run(sys.argv[1:] if arguments is None else arguments)
    except OptimiserError as error:
        _say(str(error))
        return error.exit_code
    except KeyboardInterrupt:
        _say("stopped")
        return 130
    except OSError as error:
        _say(f"{error.filename or 'file'}: {error.strerror}")
        return 1


def _run(arguments: Sequence[str]) -> int:
    """Parse in two steps, so that only the command called is imported."""
    words = "\n".join(f"  {name:<15}{text}" for name, text in COMMANDS.items())
    parser = argparse.ArgumentParser(
        prog="optimiser",
        description="Inspection limits from labelled history: proposals that are safe and proven.",
        epilog=f"commands:\n{words}\n\noptimiser COMMAND --help says more.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=__version__)
    parser.add_argument("command", type=_command, metavar="COMMAND")
    parser.add_argument("arguments", nargs=argparse.REMAINDER, help=argparse.SUPPRESS)
    called = parser.parse_args(arguments)
    module = importlib.import_module(f"optimiser.commands.{called.command.replace('-', '_')}")
    own = argparse.ArgumentParser(
        prog=f"optimiser {called.command}", description=COMMANDS[called.command]
    )
    module.configure(own)
    given, unknown = own.parse_known_args(called.arguments)
    if unknown:
        options = re.findall(r"--[a-z][a-z-]+", own.format_help())
        own.error(f"unrecognized arguments: {' '.join(unknown)}{_meant(unknown[0], options)}")
    code: int = module.run(given)
    return code


def _command(name: str) -> str:
    """Return a command's name; what is none gets the one that is nearest."""
    if name not in COMMANDS:
        msg = f"no command {name!r}{_meant(name, COMMANDS)}; optimiser --help lists them"
        raise argparse.ArgumentTypeError(msg)
    return name


def _meant(name: str, known: Iterable[str]) -> str:
    """Return which of the names was probably meant, as the end of a message."""
    close = get_close_matches(name, list(known), n=1)
    return f" (did you mean {close[0]!r}?)" if close else ""


def _say(words: str) -> None:
    print(f"optimiser: {words}", file=sys.stderr)
