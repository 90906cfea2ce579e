"""One history written as exports of twelve shapes: what a plant's systems might hand over.

Each writer makes a folder and returns what `optimiser begin` has to be told beside it. The history
is the example plant's, moved so that a clock is put back within it.
"""

import gzip
from pathlib import Path

import duckdb
from messages import to_messages
from messages import write as write_messages

EXAMPLE = Path(__file__).parents[1] / "data" / "example"
MEASURED = (
    "fillet_height",
    "side_overhang",
    "body_offset",
    "tilt",
    "pad_coverage",
    "lead_lift",
    "body_match",
)
SHAPES = {}
_TEXT = "line, station, product, board, lot, designator, pin, part, family"


def shape(write):
    SHAPES[write.__name__] = write
    return write


def open_base():
    """Return a connection with the view ``base``: the example's items around the end of summer time.

    Four boards of ten, and all of the day on which a clock is put back: on 26 October 2025 clocks
    of Central Europe went back at 01:00 UTC.
    """
    con = duckdb.connect()
    con.execute("set TimeZone = 'UTC'")
    con.execute(
        f"""create table base as
            select * exclude (paste_volume, paste_area, paste_height)
              replace (time - interval 75 days - interval 6 hours as time)
            from '{EXAMPLE}/history.parquet'
            where right(board, 1) in ('1', '4', '7', '9') or time::date = '2026-01-09'
            order by time, line, board, designator, pin"""
    )
    return con


def csv(con, query, path, **options):
    path.parent.mkdir(parents=True, exist_ok=True)
    said = "".join(f", {k} '{v}'" for k, v in options.items())
    con.execute(f"copy ({query}) to '{path}' (format csv, header{said})")


def recode(path, encoding, *, head=""):
    path.write_bytes((head + path.read_text(encoding="utf-8")).encode(encoding))


@shape
def plain_csv(con, folder):
    csv(con, "select * from base", folder / "results.csv")
    return ["--time-zone", "UTC"]


@shape
def german_semicolons(con, folder):
    numbers = ", ".join(
        f"""replace(({m}::double / 1000)::varchar, '.', ',') as "{name} (mm)" """
        for m, name in (
            ("fillet_height", "fillet height"),
            ("side_overhang", "side overhang"),
            ("body_offset", "body offset"),
            ("lead_lift", "lead lift"),
        )
    )
    rest = ", ".join(
        f"replace({m}::varchar, '.', ',') as {m}" for m in ("tilt", "pad_coverage", "body_match")
    )
    csv(
        con,
        f"""select strftime(time, '%d.%m.%Y') as "Datum", strftime(time, '%H:%M:%S') as "Uhrzeit",
              line as "Linie", station as "Maschine", stage as "Prozess", product as "Produkt",
              board as "Seriennummer", lot as "Los", designator as "Bauteil", pin as "Anschluss",
              part as "Artikelnummer", family as "Gehäuse", {numbers}, {rest},
              case when called then 'n.i.O.' else 'i.O.' end as "Ergebnis",
              case verdict when 'good' then 'Pseudofehler' when 'defect' then 'Fehler' end as "Befund",
              defect as "Fehlerart", found_by as "entdeckt durch", weight::int as weight from base""",
        folder / "export.csv",
        delimiter=";",
    )
    recode(folder / "export.csv", "cp1252", head="Prüfprotokoll\r\n".replace("\r\n", "\n"))
    return ["--time-zone", "UTC"]


@shape
def a_row_per_measurement(con, folder):
    rows = " union all ".join(
        f"select *, '{m}' as name, {m} as v, {n} as k from base where {m} is not null"
        for n, m in enumerate(MEASURED)
    )
    unit = """case when name in ('tilt') then 'deg' when name = 'pad_coverage' then '%'
              when name = 'body_match' then 'score' else 'um' end"""
    csv(
        con,
        f"""select hash(time, board, designator, pin) as InspectionID, time as InspectionTime, {_TEXT}, stage,
              called, verdict, defect, found_by, weight, name as MeasName, v as MeasValue, {unit} as Unit
            from ({rows}) order by time, board, designator, pin, k""",
        folder / "values.csv",
    )
    return ["--time-zone", "UTC"]


@shape
def american_tabs(con, folder):
    csv(
        con,
        f"""select strftime(time, '%m/%d/%Y %I:%M:%S %p') as "Inspection Time", line as "Line Name",
              station as "Machine Name", stage as "Process Step", product as "Assembly", board as "Serial No.",
              lot as "Work Order", designator as "Ref Des", pin as "Pin No", part as "Part Number",
              family as "Package Type", {", ".join(MEASURED)},
              case when not called then 'PASS' when verdict = 'good' then 'FALSE CALL'
                when verdict = 'defect' then 'FAIL' else 'NOT REVIEWED' end as "Result",
              defect as "Defect Type"
            from base where found_by is distinct from 'audit' and (verdict is not null or not called)""",
        folder / "log.tsv",
        delimiter="\t",
    )
    return ["--time-zone", "UTC", "--month-first"]


@shape
def local_time(con, folder):
    csv(
        con,
        "select * replace (strftime(timezone('Europe/Berlin', time at time zone 'UTC'), '%Y-%m-%d %H:%M:%S') as time)"
        " from base",
        folder / "local.csv",
    )
    return ["--time-zone", "Europe/Berlin"]


@shape
def calls_only(con, folder):
    csv(con, "select * exclude (called) from base where called", folder / "calls.csv")
    return ["--time-zone", "UTC"]


@shape
def limits_in_rows(con, folder):
    limits = []
    for m in MEASURED:
        for side, word in (("lower", "LSL"), ("upper", "USL")):
            limits.append(
                f"(select {side} from recipe r where r.name = family and r.measurement = '{m}') as \"{m} {word}\""
            )
    con.execute(
        f"""create or replace table recipe as
            select * from read_csv('{EXAMPLE}/recipe.csv', skip=1, header=true, nullstr='')"""
    )
    csv(con, f"select base.*, {', '.join(limits)} from base", folder / "with_limits.csv")
    return ["--time-zone", "UTC"]


@shape
def split_verdicts(con, folder):
    csv(
        con,
        "select * exclude (verdict, defect, found_by, weight) from base",
        folder / "results.csv",
    )
    csv(
        con,
        """select board as SerialNo, designator as RefDes, pin as Pin, verdict as ReviewResult, defect as FaultCode,
             found_by as Source, weight from base where verdict is not null""",
        folder / "reviews.csv",
    )
    return ["--time-zone", "UTC"]


@shape
def packed_days(con, folder):
    for (day,) in con.execute("select distinct time::date from base order by 1").fetchall():
        path = folder / f"aoi_{day}.csv"
        csv(con, f"select * from base where time::date = '{day}'", path)
        path.with_suffix(".csv.gz").write_bytes(gzip.compress(path.read_bytes()))
        path.unlink()
    return ["--time-zone", "UTC"]


@shape
def utf_16(con, folder):
    csv(con, "select * from base", folder / "export.txt", delimiter="\t")
    recode(folder / "export.txt", "utf-16")
    return ["--time-zone", "UTC"]


@shape
def two_machines(con, folder):
    csv(con, "select * from base where line = 'L1'", folder / "m1" / "a.csv")
    names = {m: f"V{n}" for n, m in enumerate(MEASURED)}
    values = ", ".join(
        f'{m}::double / 1000 as "{v} [mm]"' if m == "fillet_height" else f"{m} as {v}"
        for m, v in names.items()
    )
    csv(
        con,
        f"""select strftime(time, '%d.%m.%Y %H:%M:%S') as zeit, {_TEXT.replace("board", "board as barcode")}, stage,
              case when called then 'NG' else 'OK' end as result, verdict, defect, found_by, weight, {values}
            from base where line <> 'L1'""",
        folder / "m2" / "b.csv",
        delimiter=";",
    )
    takes = [f"{v} [mm]={m}" if m == "fillet_height" else f"{v}={m}" for m, v in names.items()]
    return ["--time-zone", "UTC", *(x for t in takes for x in ("--take", t))]


@shape
def foreign_parquet(con, folder):
    folder.mkdir(parents=True, exist_ok=True)
    nan = ", ".join(f"coalesce({m}, 'nan'::float) as {m}" for m in MEASURED)
    texts = _TEXT.replace("designator", "designator as refdes")
    for line in ("L1", "L2"):
        con.execute(
            f"""copy (select time at time zone 'UTC' as "timestamp", {texts},
                   stage, called, verdict, defect, found_by, weight, {nan} from base where line = '{line}')
                to '{folder}/{line}.parquet' (format parquet)"""
        )
    return []


SENT = "(called or hash(board) % 5 = 0)"
"""What the machine of the messages sends: calls, and every board in five whole."""


@shape
def messages(con, folder):
    folder.mkdir(parents=True, exist_ok=True)
    units = {"tilt": "deg", "pad_coverage": "%", "body_match": "score"}
    rows = con.execute(
        f"""select strftime(time, '%Y-%m-%dT%H:%M:%SZ'), line, station, product, board, designator, pin, part,
              called, verdict, defect, {", ".join(MEASURED)} from base
            where found_by is distinct from 'audit' and {SENT}
            order by time, line, station, product, board, designator, pin"""
    ).fetchall()
    long = [
        {
            "time": r[0],
            "line": r[1],
            "station": r[2],
            "stage": "AOI",
            "product": r[3],
            "revision": "1",
            "board": r[4],
            "designator": r[5],
            "pin": r[6],
            "part": r[7],
            "called": "true" if r[8] else "false",
            "verdict": r[9],
            "defect": r[10],
            "measurement": m,
            "value": None if v is None else repr(v),
            "unit": units.get(m, "um"),
            "lower": None,
            "upper": None,
        }
        for r in rows
        for m, v in zip(MEASURED, r[11:], strict=True)
        if v is not None
    ]
    write_messages(folder / "day.jsonl.gz", to_messages(long))
    csv(
        con,
        "select distinct product, designator, part, family from base",
        folder.parent / "parts.csv",
    )
    return ["--parts", str(folder.parent / "parts.csv")]
