"""Tables of the ledger: what waits, what was decided, what a revision changes."""

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from optimiser.caution import CAUTION
from optimiser.evidence.intervals import Interval
from optimiser.ledger.ledger import Entry, State, Verified
from optimiser.ledger.revision import Exported, Revision
from optimiser.ledger.revision_file import limit_text
from optimiser.ledger.standing import still_to_sign
from optimiser.plant.file import Plant
from optimiser.proposal.month import Month
from optimiser.proposal.signing import PutForward, changed_since
from optimiser.recipe.table import Recipe
from optimiser.values import DAYS_PER_MONTH
from optimiser.views.figures import change_words, interval_words, saving_words
from optimiser.views.sentences import month_words

WAITING = ("waiting", "one signature of two")
_DONE = {"accept": "accepted", "hold": "held", "reject": "rejected", "withdraw": "withdrew"}
UNCHECKED = "names are unchecked: this plant's file lists no signers"
_NEXT = {
    "accepted": "it waits for: optimiser export PLANT",
}


def _table(*columns: str) -> Table:
    """Return an empty table of words."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for n, column in enumerate(columns):
        table.add_column(column, no_wrap=n == 0)
    return table


def _caution() -> Text:
    return Text(f"\n{CAUTION}")


def time_text(at: str) -> str:
    """Return an entry's time to the minute, UTC."""
    return f"{at[:16].replace('T', ' ')} UTC"


def moves_text(limits: Iterable[Mapping[str, Any]]) -> str:
    """Return the limits that move, in words."""
    return "; ".join(
        f"{x['measurement']} {x['side']} {limit_text(x['now'])} → {limit_text(x['proposed'])} {x['unit']}"
        for x in limits
    )


def decided_table(entry: Entry, state: State, plant: Plant) -> Group:
    """Return one decision, what it is about, and where the proposal stands after it."""
    left = still_to_sign(state, plant)
    after = f"to accept it is left: {left}" if left else _NEXT.get(state.state)
    lines = [
        f"entry {entry.id}: {entry.by} {_DONE[entry.kind]} proposal {state.entry.id}, "
        f"{state.entry.family}: {entry.reason}",
        f"  {moves_text(state.entry.body['limits'])}",
        f"  state: {state.state}" + (f"; {after}" if after else ""),
    ]
    if state.signatures:
        lines.append(f"  signed by: {', '.join(s.by for s in state.signatures)}")
    if not plant.file.signers:
        lines.append(f"  {UNCHECKED}")
    lines += [f"  {line}" for line in known_words(state, plant)]
    return Group(*(Text(line) for line in lines), _caution())


def known_words(state: State, plant: Plant) -> list[str]:
    """Return what was known when a proposal was made: promise, certificate, rails it touches."""
    figures, currency = state.entry.body["figures"], plant.file.plant.currency
    promise, proof = figures.get("promise"), figures.get("proof")
    lines = []
    if promise:
        lines.append(_promised_words(promise, figures, currency))
    else:
        lines.append("no promise: these limits were not judged on lots unseen")
    if proof and proof.get("added"):
        added = proof["added"]
        sure = "certified" if added["certified"] else "not certified"
        lines.append(
            f"certificate: {added['escapes']} of {added['defects']} later defects escape, {sure} for at most "
            f"{added['alpha']:.0%} added at {1 - added['delta']:.0%} confidence"
        )
    else:
        lines.append("no certificate: later lots prove nothing of these limits")
    lines += [f"stopped by {x['rail']}" for x in state.entry.body["limits"] if x["rail"]]
    return lines


def _promised_words(promise: Mapping[str, Any], figures: Mapping[str, Any], currency: str) -> str:
    """Return what was promised, a month where the span of the history is known."""
    days = figures.get("span_days")
    scale = DAYS_PER_MONTH / days if days else 1.0
    told_of = ("saving_per_month", "false_calls_saved", "escapes_added", "escapes_caught")
    known = {
        key: _interval(promise[key])
        for key in told_of
        if isinstance(promise.get(key), Mapping)  # older entries hold other figures
    }
    told = []
    if "saving_per_month" in known:
        told.append(f"saving {currency} {saving_words(known['saving_per_month'])} a month")
    if "false_calls_saved" in known:
        told.append(f"{change_words(known['false_calls_saved'].times(scale))} false calls")
    for key in ("escapes_added", "escapes_caught"):
        if key in known:
            told.append(f"{key.replace('_', ' ')} {interval_words(known[key].times(scale), 1)}")
    if not told:
        return "promised: nothing that is known here"
    span = f"; counts a month, from {days:.0f} days" if days else "; counts over the history"
    return f"promised: {', '.join(told)}{span}"


def _interval(of: Mapping[str, Any]) -> Interval:
    """Return an interval as the ledger holds it; an unknown end is infinite."""
    low, high = of["low"], of["high"]
    return Interval(
        value=of["value"],
        low=-math.inf if low is None else low,
        high=math.inf if high is None else high,
    )


def waiting_table(
    waiting: Sequence[State], others: Sequence[State], *, plant: Plant, live: Recipe
) -> Group:
    """Return the proposals that wait for a signature, then those put aside or accepted."""
    parts: list[RenderableType] = []
    if waiting:
        table = _table("proposal", "family", "state", "proposed", "limits now → proposed")
        for state in waiting:
            entry = state.entry
            signed = "".join(f" ({s.by})" for s in state.signatures)
            table.add_row(
                str(entry.id),
                Text(str(entry.family)),
                Text(f"{state.state}{signed}"),
                Text(f"{time_text(entry.at)}, {entry.by}, {entry.body['origin']}"),
                Text(moves_text(entry.body["limits"])),
            )
        parts.append(table)
        for state in waiting:
            lines = [*known_words(state, plant), f"to sign: {still_to_sign(state, plant)}"]
            changed = changed_since(state, plant, live)
            lines += [f"CHANGED since: {', '.join(changed)}"] if changed else []
            parts += [Text(f"\n{state.entry.id} {state.entry.family}")]
            parts += [Text(f"  {line}") for line in lines]
        parts += [] if plant.file.signers else [Text(f"\n{UNCHECKED}")]
    else:
        parts.append(Text("no proposal waits for a signature"))
    for name, words in (("held", "put aside"), ("accepted", "accepted, waiting for export")):
        ids = [f"{s.entry.id} ({s.entry.family})" for s in others if s.state == name]
        if ids:
            parts.append(Text(f"{words}: {', '.join(ids)}"))
    return Group(*parts, _caution())


def renewed_words(family: str, done: PutForward, left: Sequence[int]) -> str:
    """Return what became of a change that was to be put before its signers, in words."""
    if done.entry is not None:
        words = [f"{family}: proposal {done.entry} is in the ledger, to be signed"]
    elif done.rejected is not None:
        words = [
            f"{family}: these limits were rejected as proposal {done.rejected}; nothing was put into the ledger"
        ]
    else:
        words = [f"{family}: no change is advised, nothing was put into the ledger"]
    gone = [str(n) for n in done.older if n not in left]
    words += [f"withdrawn: {', '.join(gone)} ({done.why_older})"] if gone else []
    words += [
        f"{n} is older and waits still: you may not withdraw; accepting the newer one ends it"
        for n in left
    ]
    return "\n".join(words) + "\n"


def last_night_table(found: Mapping[str, Any], states: Sequence[State], plant: Plant) -> Group:
    """Return the last night at a glance: what came, changed, failed, and what waits."""
    changed = ", ".join(found["recorded"]) or "nothing"
    failed = [f"{k}: {v}" for k, v in (found["failed"] | found["problems"]).items()]
    waits = [
        f"{s.entry.id} {s.entry.family}, to sign: {still_to_sign(s, plant)}"
        for s in states
        if s.state in WAITING
    ]
    lines = [
        f"night of {found['at'][:16].replace('T', ' ')}, data to {found['clock'][:16].replace('T', ' ')}",
        f"came: {found['items']:,} items used, {found['set_aside']:,} rows set aside "
        f"({found['new_set_aside']:,} more than the night before), {found['digested']} of "
        f"{found['digests']} digests made",
        f"proposed anew: {len(found['proposed'])} families, {len(found['stand'])} stand; change advised: "
        f"{', '.join(found['change']) or 'none'}",
        *_month_lines(found, plant),
        f"changed in the ledger: {changed}; older proposals withdrawn: {len(found['withdrawn'])}",
        *(f"LOOK: {line}" for line in (*found["looks"], *found["refused"], *found["alarms"])),
        *(f"FAILED: {line}" for line in failed),
        f"waits for a signature: {'; '.join(waits) or 'nothing'}",
    ]
    return Group(*(Text(line) for line in lines), _caution())


def _month_lines(found: Mapping[str, Any], plant: Plant) -> list[str]:
    """Return the plant's one sentence, where the night knew proposals."""
    row = found.get("month")
    currency = plant.file.plant.currency
    return [month_words(Month.from_dict(row), currency=currency)] if row else []


def history_table(family: str, entries: Sequence[Entry], states: Sequence[State]) -> Group:
    """Return what was proposed and decided for a family, and where its proposals stand."""
    if not entries:
        return Group(Text(f"{family}: nothing was proposed yet"))
    table = _table("entry", "time", "what", "by", "words")
    for entry in entries:
        table.add_row(
            str(entry.id),
            time_text(entry.at),
            Text(_what(entry)),
            Text(entry.by),
            Text(_words(entry)),
        )
    stand = [
        Text(
            f"proposal {s.entry.id}: {s.state}"
            + (f", revision {s.exported_in}" if s.exported_in else "")
        )
        for s in states
    ]
    return Group(Text(family), table, Text(""), *stand, _caution())


def _what(entry: Entry) -> str:
    if entry.kind in ("export", "rollback"):
        return f"{entry.kind} {entry.body['revision']}"
    if entry.kind == "keep":
        return "must-catch"
    return entry.kind if entry.proposal is None else f"{entry.kind} {entry.proposal}"


def _words(entry: Entry) -> str:
    moves = moves_text(entry.body["limits"]) if entry.kind == "proposal" else ""
    kept = f"{entry.body.get('name')} kept" if entry.kind == "keep" else ""
    return ": ".join(part for part in (moves, kept, entry.reason) if part)


def verified_table(found: Verified, *, path: str, noted: bool) -> Group:
    """Return what a check of the chain found."""
    verdict = "valid" if found.valid else f"NOT VALID, faults: {len(found.faults)}"
    lines = [f"{path}: {verdict}; {found.entries:,} entries"]
    lines += [f"fault ({f.rule}): {f.words}" for f in found.faults]
    lines += [f"note: {note}" for note in found.notes]
    lines += [f"head: {found.head}"]
    lines.append(
        "the noted head is in the chain"
        if noted and found.valid
        else "Note the head elsewhere (--note FILE) and give it back later (--against FILE, or --head "
        "HASH): a file that was rewritten throughout shows no fault otherwise."
    )
    return Group(*(Text(line) for line in lines))


def exported_table(found: Exported) -> Group:
    """Return what an export wrote, and what it had to leave out."""
    parts: list[RenderableType] = []
    if found.revision is not None:
        parts += _revision_parts(found.revision)
    elif found.conflicts:
        parts.append(Text("nothing was exported"))
    else:
        parts.append(Text("nothing to export: no accepted proposal is left"))
    parts += [Text(f"conflict: {c.words}") for c in found.conflicts]
    return Group(*parts, _caution())


def rolled_back_table(revision: Revision, *, to: str) -> Group:
    """Return what a rollback wrote."""
    head = Text(f"revision {revision.revision} has the limits of revision {to}")
    return Group(head, *_revision_parts(revision), _caution())


def _revision_parts(revision: Revision) -> list[RenderableType]:
    """Return a revision's place, its difference from the live recipe and its proposals."""
    parts: list[RenderableType] = [
        Text(
            f"revision {revision.revision}, from live revision {revision.base}, entry "
            f"{revision.entry.id}: {revision.path}, in words {revision.words.name}"
            + (f", for the machine {revision.form}" if revision.form else "")
        )
    ]
    if revision.difference:
        table = _table("scope", "name", "limit", "unit", "live", "revision", "proposal")
        for x in revision.difference:
            table.add_row(
                *(
                    Text(str(cell))
                    for cell in (
                        x["scope"],
                        x["name"],
                        f"{x['measurement']} {x['side']}",
                        x["unit"],
                        limit_text(x["from"]),
                        limit_text(x["to"]),
                        x["proposal"] or "",
                    )
                )
            )
        parts.append(table)
    else:
        parts.append(Text("no limit differs from the live recipe"))
    taken = "exported" if revision.entry.kind == "export" else "taken back"
    for words, ids in (
        (taken, revision.proposals),
        ("carried on from a revision that is not live", revision.carried),
        ("replaced by a newer proposal of the family", revision.replaced),
        ("in force again", revision.restored),
    ):
        if ids:
            parts.append(Text(f"proposals {words}: {', '.join(map(str, ids))}"))
    parts.append(
        Text(
            "The live recipe is as it was: a person puts the revision on the machine, then names "
            "it in plant.toml."
        )
    )
    return parts
