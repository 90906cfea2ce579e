"""The account and the manager's page: every figure against plain counts, no network, no script."""

import csv
import io
import json
import math
import re
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser

import pandas as pd
import pytest
from factories import make_plant

from optimiser.cli import main
from optimiser.demo.write import write_demo
from optimiser.evidence.intervals import Interval, add_up
from optimiser.history.calls import calls_by_day
from optimiser.history.read import open_history
from optimiser.history.replay import replay
from optimiser.ledger.ledger import LEDGER, Basis, Ledger
from optimiser.monitoring.account import by_stage, by_week, make_account, quality
from optimiser.plant.file import read_plant
from optimiser.proposal.all_families import rank_by_saving
from optimiser.proposal.session import open_plant
from optimiser.proposal.stages import Foretold, KeptStages, StagePair
from optimiser.recipe.table import read_recipe
from optimiser.views.report import report_csv, report_page

BASIS = Basis(history="h", recipe="r", plant="p", version="1", seed=1)


class Structure(HTMLParser):
    """Counts tags and whatever could ask for something from elsewhere."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.asks, self.open = [], [], []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.asks += [
            (tag, k) for k, v in attrs if k in ("src", "href") and v and not v.startswith("#")
        ]
        if tag not in ("meta", "br", "img", "link"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


@pytest.fixture(scope="module")
def session(demo_plant, tmp_path_factory):
    found = open_plant(demo_plant, trials=4)
    found.folder = tmp_path_factory.mktemp("kept")
    found.propose()
    yield found
    found.close()


def advised(session):
    """Return the proposals, whatever change was found taken as advised, largest saving first."""
    return rank_by_saving(
        replace(p, advice="change", limits=p.change.limits, promise=p.change.promise)
        if p.change
        else p
        for p in session.proposals.values()
    )


@pytest.fixture
def account(session, tmp_path):
    ledger = Ledger(tmp_path / LEDGER)
    made = advised(session)
    changes = [p for p in made if p.advice == "change"]
    assert len(changes) >= 3
    ids = [
        ledger.propose(
            p.family,
            [m.as_dict() for m in p.moves],
            by="night",
            reason="new defects",
            origin="recommended",
            critical=p.critical,
            basis=BASIS,
            figures={"promise": p.as_dict()["promise"]},
        ).id
        for p in changes
    ]
    ledger.decide(ids[0], "accept", by="Ada Fenn", reason="<b>trial</b> & more")
    ledger.decide(ids[1], "reject", by="Bo Marsh", reason="wait for the new stencil")
    days = calls_by_day(session.history, session.live)
    return make_account(
        session.plant,
        days,
        made,
        ledger,
        {},
        made_at=datetime(2026, 4, 1, tzinfo=UTC).isoformat(),
        backtested=False,
    )


def test_the_page_carries_what_earlier_stages_foretell(account):
    assert "What earlier stages foretell" not in report_page(account)
    pair = StagePair(
        stage="paste",
        other="x-ray",
        items=1_000,
        linked=930,
        missing=52,
        ambiguous=18,
        unchecked=True,
    )
    found = Foretold(
        kind="void <b>",
        found_at="x-ray",
        family="DEPOSIT",
        stage="paste",
        measurement="height",
        side="lower",
        unit="um",
        limit=72.5,
        caught=Interval(value=0.61, low=0.5, high=0.7),
        defects=140,
        lots=28,
        net=Interval(value=1234.0, low=900.0, high=1500.0),
    )
    kept = KeptStages(until="2026-04-01", pairs=(pair,), foretold=(found,))
    page = report_page(replace(account, stages_followed=kept))
    for words in (
        "What earlier stages foretell",
        '<td class="first" data-l="linked">93.0%</td>',
        '<td data-l="not certain, not used">18</td>',
        "would not be seen",
        "void &lt;b&gt;",
        "height lower of DEPOSIT, paste",
        "61.0% (50.0% to 70.0%)",
        "1,234 (900 to 1,500)",
    ):
        assert words in page, words
    none = report_page(replace(account, stages_followed=replace(kept, foretold=())))
    assert "No kind of later defect is foretold" in none


def test_days_add_up_to_replay_and_to_plain_counts(session):
    days = calls_by_day(session.history, session.live)
    live = replay(session.history, session.live, session.live)
    assert days["items"].sum() == sum(r.items for r in live)
    assert days["calls"].sum() == sum(r.calls for r in live)
    assert days["true_calls"].sum() == sum(r.true_calls for r in live)
    assert days["false_calls"].sum() == sum(r.false_calls for r in live)
    assert days["escapes"].sum() == sum(r.escapes for r in live)
    frame = session.history.connection.execute(
        "select time::date as date, stage, line, product, board, called from items"
    ).df()
    boards = frame.groupby(["date", "stage", "line", "product", "board"])["called"].any()
    assert days["boards"].sum() == len(boards)
    for by in ("line", "product"):
        counted = boards.groupby(by).size()
        assert days.groupby(by)["boards"].sum().to_dict() == counted.to_dict()
    assert days["boards_without_call"].sum() == (~boards.astype(bool)).sum()


def test_head_splits_what_waits_from_what_is_signed(account, session):
    changes = [p for p in advised(session) if p.advice == "change"]
    saving = [p.promise.in_sum.saving_per_month for p in changes]
    head = {g.name: g for g in account.head}
    assert head["signed"].families == 1
    assert head["signed"].saving.value == pytest.approx(saving[0].value)
    assert head["waiting"].families == len(changes) - 2, "the rejected one waits no more"
    assert head["waiting"].saving == add_up(*saving[2:])
    assert head["live"].families == 0
    assert account.realised is None
    assert [d["by"] for d in account.decided] == ["Bo Marsh", "Ada Fenn"]
    assert len(account.waiting) == len(changes) - 2


def test_quality_names_its_denominators(session, account):
    days = calls_by_day(session.history, session.live)
    found = {f.name: f for f in account.figures}
    total = days.select_dtypes("number").sum()
    most = days.groupby("stage")["boards"].sum().max()
    assert found["false calls per board"].value == total["false_calls"] / most
    assert f"{most:,} boards" in found["false calls per board"].basis
    assert found["false calls per board inspection"].value == total["false_calls"] / total["boards"]
    assert f"{total['boards']:,} board inspections" in (
        found["false calls per board inspection"].basis
    )
    assert most < total["boards"]
    seconds = session.plant.file.review.seconds_per_call
    hours = total["calls"] * seconds / 3600 / days["date"].nunique() * 365.25 / 12
    assert found["review of all calls"].value == pytest.approx(hours)
    for stage, part in days.groupby("stage"):
        defects = part["true_calls"].sum() + part["escapes"].sum()
        assert found[f"DPMO, {stage}"].value == defects / part["items"].sum() * 1e6
    told = [name.removeprefix("DPMO, ") for name in found if name.startswith("DPMO, ")]
    assert told == [s for s in ("paste", "pre-reflow", "post-reflow") if s in told]
    assert len(told) > 1
    bounded = found["escapes that test would have found, bounded"]
    assert bounded.low <= bounded.value <= bounded.high
    a_month = 365.25 / 12 / days["date"].nunique()
    assert bounded.value == pytest.approx(
        total["escapes"] / session.plant.file.labels.test_coverage * a_month
    )
    known = found["escapes known, at the limits now live"]
    assert known.value == pytest.approx(total["escapes"] * a_month)


def test_a_label_that_lost_its_call_is_told_from_an_escape_that_somebody_found(session):
    """Loosened limits call fewer labelled defects; each is counted here in plain pandas."""
    off = {"lower": -math.inf, "upper": math.inf}
    rows = [replace(r, **off) if r.name == "CAP-0402" else r for r in session.live.rows]
    loose = replace(session.live, rows=tuple(rows))
    before, days = (calls_by_day(session.history, r) for r in (session.live, loose))
    ((reviewed, called),) = session.history.rows(
        """select count(*) filter (where found_by = 'review'), count(*) filter (where called)
           from items where family = 'CAP-0402' and verdict = 'defect'"""
    )
    assert reviewed > 0
    assert days["lost_calls"].sum() - before["lost_calls"].sum() == reviewed
    assert days["escapes"].sum() - before["escapes"].sum() == called
    told = {f.name: f.basis for f in quality(session.plant, days)}
    assert (
        f"{days['lost_calls'].sum():,} that older limits called and review found"
        in (told["escapes known, at the limits now live"])
    )


def test_the_route_is_the_product_of_its_stages():
    """Rolled throughput yield, worked by hand: 0.90 × 0.95 × 0.80 = 0.684."""
    rows = [("paste", 200, 180), ("pre-reflow", 100, 95), ("post-reflow", 50, 40)]
    days = pd.DataFrame(
        [("2026-03-02", stage, 1000, n, clean) for stage, n, clean in rows],
        columns=["date", "stage", "items", "boards", "boards_without_call"],
    )
    *stages, route = by_stage(days)
    assert [s["first_pass_yield"] for s in stages] == [0.9, 0.95, 0.8]
    assert route["first_pass_yield"] == pytest.approx(0.684)
    assert (route["boards"], route["without_call"]) == (200, None)


def test_lines_and_products_add_up_to_the_plant(session, account):
    days = calls_by_day(session.history, session.live)
    for places in (account.lines, account.products):
        assert len(places) > 1
        assert sum(p["items"] for p in places) == days["items"].sum()
        assert sum(p["false_calls"] for p in places) == days["false_calls"].sum()
        hours = sum(p["review_hours_per_month"] for p in places)
        (all_,) = [f.value for f in account.figures if f.name == "review of all calls"]
        assert hours == pytest.approx(all_)


def test_dpmo_of_published_inputs(session):
    """Inputs of testele.com, "Yield and DPMO", product A (a read copy in outside-checks.md, 8).

    1,200 boards a week, 500 terminations each, 70 termination defects: 116.667 DPMO.
    """
    days = pd.DataFrame(
        [("2026-03-02", "post-reflow", 1200 * 500, 1200, 1130, 70, 70, 0, 0, 0, 0)],
        columns=[
            *("date", "stage", "items", "boards", "boards_without_call", "calls", "true_calls"),
            *("false_calls", "unreviewed_calls", "escapes", "lost_calls"),
        ],
    )
    found = {f.name: f.value for f in quality(session.plant, days)}
    assert found["DPMO, post-reflow"] == pytest.approx(116.667, abs=5e-4)


def test_weeks_begin_on_monday_and_add_up(session):
    days = calls_by_day(session.history, session.live)
    weeks = by_week(days)
    assert all(datetime.fromisoformat(w["week"]).weekday() == 0 for w in weeks)
    assert sum(w["items"] for w in weeks) == days["items"].sum()
    assert sum(w["false_calls"] for w in weeks) == days["false_calls"].sum()


def test_page_asks_for_nothing_and_is_whole(account):
    page = report_page(account)
    structure = Structure(page)
    assert structure.open == []
    assert structure.asks == []
    assert "script" not in structure.tags
    assert "default-src 'none'" in page
    assert len(page.encode()) < 2_000_000
    assert "url(" not in page
    assert "licensed to set" in page
    assert "&lt;b&gt;trial&lt;/b&gt; &amp; more" in page
    assert not re.search(r"\b(nan|inf|None)\b", re.sub(r"<style>.*?</style>", "", page, flags=re.S))


def test_json_and_csv_say_the_same(account):
    told = json.loads(json.dumps(account.as_dict(), allow_nan=False))
    rows = list(csv.DictReader(io.StringIO(report_csv(account))))
    quality_rows = {r["name"]: float(r["value"]) for r in rows if r["part"] == "quality"}
    assert quality_rows == {f["name"]: pytest.approx(f["value"]) for f in told["figures"]}
    waiting = next(r for r in rows if (r["part"], r["name"]) == ("saving", "waiting"))
    assert float(waiting["low"]) == pytest.approx(told["head"][0]["saving"]["low"])


def test_command_writes_three_files(tmp_path, capsys):
    folder = make_plant(tmp_path / "p")
    assert main(["report", str(folder)]) == 0
    captured = capsys.readouterr()
    assert "report.html" in captured.out
    assert "not proposed yet" in captured.err
    for suffix in ("html", "json", "csv"):
        assert (folder / f"report.{suffix}").stat().st_size > 200
    assert json.loads((folder / "report.json").read_text())["plant"] == "Lantern Row (invented)"
    assert not list(folder.glob("*.tmp"))


def test_an_unwritable_page_is_a_message(tmp_path, capsys):
    folder = make_plant(tmp_path / "p")
    assert main(["report", str(folder), "--out", str(tmp_path / "no" / "where" / "x.html")]) == 1
    assert "No such file" in capsys.readouterr().err


def test_digests_give_the_same_days(tmp_path):
    from optimiser.proposal.opening import early_lots
    from optimiser.tally.digested import open_store, open_stored

    folder = tmp_path / "plant"
    write_demo(folder, days=6, items_per_day=4_000, seed=5)
    plant = read_plant(folder)
    live = read_recipe(folder / "recipe.csv", plant.file.measurements)
    store = open_store(plant, live, tmp_path, rehash=False, tell=lambda *_, **__: None)
    merged = open_stored(store, early_lots)
    try:
        stored = calls_by_day(merged, live)
    finally:
        merged.close()
    with open_history(plant) as history:
        whole = calls_by_day(history, live)
    assert stored["date"].nunique() == 6
    pd.testing.assert_frame_equal(stored, whole)


class Texts(HTMLParser):
    """Cells of a page's tables, a list a row."""

    def __init__(self, page):
        super().__init__()
        self.rows, self.inside = [], False
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        if tag == "tr":
            self.rows.append([])
        if tag == "td":
            self.rows[-1].append("")
            self.inside = True

    def handle_endtag(self, tag):
        if tag == "td":
            self.inside = False

    def handle_data(self, data):
        if self.inside:
            self.rows[-1][-1] += data


def test_the_page_finds_what_was_searched_with_another_number_of_trials(tmp_path, capsys):
    folder = make_plant(tmp_path / "p")
    assert main(["propose", str(folder), "--workers", "1", "--trials", "5"]) == 0
    assert main(["report", str(folder)]) == 0
    assert "not proposed yet" not in capsys.readouterr().err
    told = json.loads((folder / "report.json").read_text())
    searched = {f["trials"] for f in told["families"]} - {0}
    assert searched == {5}
    assert "Searched with 5 trials instead of 60" in (folder / "report.html").read_text()
    # Another price is another ground: what was kept is no longer of this plant.
    file = folder / "plant.toml"
    text = file.read_text()
    changed = re.sub(r'"seconds_per_call" = \S+', '"seconds_per_call" = 77.0', text)
    assert changed != text
    file.write_text(changed)
    assert main(["report", str(folder)]) == 0
    assert "not proposed yet" in capsys.readouterr().err


def test_page_terminal_and_json_say_the_same_to_the_last_digit(tmp_path, capsys):
    folder = make_plant(tmp_path / "p")
    assert main(["propose", str(folder), "--workers", "1"]) == 0
    said = capsys.readouterr().out
    assert main(["propose", str(folder), "--workers", "1", "--json"]) == 0
    rows = {row["family"]: row for row in json.loads(capsys.readouterr().out)}
    assert main(["report", str(folder)]) == 0
    page = (folder / "report.html").read_text()
    told = json.loads((folder / "report.json").read_text())
    shown = {row[0]: row for row in Texts(page).rows if len(row) == 11}
    assert set(shown) == set(rows) == {f["family"] for f in told["families"]}
    for row in told["families"]:
        name = row["family"]
        assert row["month"] == rows[name]["month"]
        (line,) = [x.split() for x in said.splitlines() if x.startswith(f"{name} ")]
        cells = [word for x in shown[name][:-1] for word in x.split()]
        assert cells == line
    sentence = re.search(r'class="sentence">(.*?)</p>', page).group(1)
    assert sentence in " ".join(said.split())
    month = told["headline"]["month"]
    assert f"{month['false_calls_now']:,.0f}" in sentence
