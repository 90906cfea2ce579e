"""Package names: what they say of a component's kind, size and leads, and the family they suggest.

Sources: the naming of IPC-7351B land patterns (its syntax as publicly quoted: dimensions in
hundredths of a millimetre, P after the pitch, X between dimensions, pins after a hyphen, M, N or L
for the density level), the widely used form ``R_0603_1608Metric``, and chip codes in inches and
millimetres with the sizes that component makers publish. Check against your licensed copy.
"""

import re
from dataclasses import dataclass

# Imperial code, metric code, body length and width in mm.
_CHIPS = (
    ("008004", "0201", 0.25, 0.125),
    ("01005", "0402", 0.4, 0.2),
    ("0201", "0603", 0.6, 0.3),
    ("0402", "1005", 1.0, 0.5),
    ("0603", "1608", 1.6, 0.8),
    ("0805", "2012", 2.0, 1.25),
    ("1206", "3216", 3.2, 1.6),
    ("1210", "3225", 3.2, 2.5),
    ("2010", "5025", 5.0, 2.5),
    ("2512", "6332", 6.3, 3.2),
)
_BY_IMPERIAL = {row[0]: row for row in _CHIPS}
_BY_METRIC = {row[1]: row for row in _CHIPS}
# Codes that mean one size in inches and another in millimetres.
AMBIGUOUS = frozenset(_BY_IMPERIAL) & frozenset(_BY_METRIC)

# By prefix the word that a family begins with and the termination; the longest prefix is tried first.
_PREFIXES = {
    "RESC": ("RES", "chip"),
    "RESM": ("RES", "moulded"),
    "RESMELF": ("RES", "cylindrical"),
    "RESCAV": ("RNET", "chip array"),
    "RESCAF": ("RNET", "chip array"),
    "RESCAXE": ("RNET", "chip array"),
    "CAPC": ("CAP", "chip"),
    "CAPCP": ("CAP", "chip"),
    "CAPM": ("CAP", "moulded"),
    "CAPMP": ("CAP", "moulded"),
    "CAPAE": ("ELCO", "can"),
    "CAPCAV": ("CNET", "chip array"),
    "CAPCAF": ("CNET", "chip array"),
    "INDC": ("IND", "chip"),
    "INDM": ("IND", "moulded"),
    "INDP": ("IND", "moulded"),
    "LEDC": ("LED", "chip"),
    "LEDM": ("LED", "moulded"),
    "DIOC": ("DIO", "chip"),
    "DIOM": ("DIO", "moulded"),
    "DIOMELF": ("DIO", "cylindrical"),
    "DIOSC": ("DIO", "chip"),
    "FUSC": ("FUSE", "chip"),
    "FUSM": ("FUSE", "moulded"),
    "XTAL": ("XTAL", "no-lead"),
    "OSC": ("OSC", "no-lead"),
    "SOD": ("SOD", "gull-wing"),
    "SODFL": ("SODFL", "flat lead"),
    "SOTFL": ("SOTFL", "flat lead"),
    "SOT23": ("SOT23", "gull-wing"),
    "SOT89": ("SOT89", "flat lead"),
    "SOT143": ("SOT143", "gull-wing"),
    "SOT223": ("SOT223", "gull-wing"),
    "SOT343": ("SOT343", "gull-wing"),
    "TO": ("TO", "tab"),
    "SOIC": ("SOIC", "gull-wing"),
    "SOP": ("SOP", "gull-wing"),
    "TSOP": ("TSOP", "gull-wing"),
    "SOJ": ("SOJ", "J lead"),
    "CFP": ("CFP", "gull-wing"),
    "SON": ("SON", "no-lead"),
    "PSON": ("SON", "no-lead"),
    "DFN": ("DFN", "no-lead"),
    "QFP": ("QFP", "gull-wing"),
    "CQFP": ("QFP", "gull-wing"),
    "BQFP": ("QFP", "gull-wing"),
    "QFN": ("QFN", "no-lead"),
    "PQFN": ("QFN", "no-lead"),
    "LCC": ("LCC", "castellated"),
    "LCCS": ("LCC", "castellated"),
    "PLCC": ("PLCC", "J lead"),
    "BGA": ("BGA", "ball"),
    "BGAD": ("BGA", "ball"),
    "BGAS": ("BGA", "ball"),
    "CGA": ("CGA", "column"),
    "LGA": ("LGA", "land"),
}
_LETTERS = {
    "R": "RES",
    "RES": "RES",
    "C": "CAP",
    "CAP": "CAP",
    "L": "IND",
    "IND": "IND",
    "D": "DIO",
    "DIO": "DIO",
    "LED": "LED",
    "F": "FUSE",
    "FB": "BEAD",
}
_PREFIX = "|".join(sorted(_PREFIXES, key=lambda p: -len(p)))
_MAKER = r"(?:[A-Z0-9]{2,4}-)?"
_CHIP = re.compile(
    rf"^{_MAKER}(?P<prefix>{_PREFIX})(?P<l>\d\d?)?(?P<size>\d{{4}})X(?P<h>\d+)(L\d+)?[MNL]?$"
)
_LEADED = re.compile(
    rf"^{_MAKER}(?P<prefix>{_PREFIX})-?(?P<pitch>\d+)P(?P<l>\d+)(X(?P<w>\d+))?X(?P<h>\d+)(L\d+(X\d+)?)?"
    r"-(?P<pins>\d+)(_(?P<of>\d+))?(T\d+(X\d+)?)?[MNL]?$"
)
_BALLS = re.compile(
    rf"^{_MAKER}(?P<prefix>{_PREFIX})(?P<pins>\d+)[CN](?P<pitch>\d+)P\d+X\d+_(?P<l>\d+)X(?P<w>\d+)X(?P<h>\d+)[MNL]?$"
)
_PAIR = re.compile(r"^(?P<letter>[A-Z]{1,3})_(?P<imperial>\d{4,6})_(?P<metric>\d{4})METRIC(_.*)?$")
_BARE = re.compile(
    r"^(?P<letter>RES|CAP|IND|DIO|LED|FB|[RCLDF])?[-_ ]?(?P<code>\d{4,6})(?P<metric>M|[-_ ]?METRIC)?$"
)
_FAMILY = re.compile(r"^(?P<kind>[A-Z]{2,5}\d*)[-_ ]?(?P<pins>\d{1,4})$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Package:
    """What a package name says.

    Attributes
    ----------
    name : str
        As it was given.
    family : str
        The family it suggests: kind and chip code in inches, or kind and pins.
    termination : str or None
    length, width, height, pitch : float or None
        Of the body, or of the span over the leads; mm.
    pins : int or None
    doubt : str
        Why the name can be read in another way; empty where it cannot.
    """

    name: str
    family: str
    termination: str | None = None
    length: float | None = None
    width: float | None = None
    height: float | None = None
    pitch: float | None = None
    pins: int | None = None
    doubt: str = ""


def read_package(name: str) -> Package | None:
    """Return what a package name says, None where it follows no known naming.

    Parameters
    ----------
    name : str

    Returns
    -------
    Package or None

    Notes
    -----
    A bare code such as ``0603`` is read in inches; where the same digits are also a metric code,
    ``doubt`` says so, and a name with ``M`` or ``Metric`` behind it is read in millimetres.

    Examples
    --------
    >>> read_package("RESC1608X55N").family, read_package("SOT23-95P280X110-5N").pins
    ('RES-0603', 5)
    >>> read_package("R0603").family, read_package("R0603M").family
    ('RES-0603', 'RES-0201')
    """
    plain = name.strip().upper()
    for pattern, make in _READERS:
        match = pattern.match(plain)
        found = match and make(name, match)
        if found:
            return found
    return None


def _mm(digits: str | None) -> float | None:
    """Return hundredths of a millimetre as millimetres."""
    return None if digits is None else int(digits) / 100


def _of_pair(name: str, match: re.Match[str]) -> Package | None:
    row = _BY_IMPERIAL.get(match["imperial"])
    if row is None or row[1] != match["metric"]:
        return None
    kind = _LETTERS.get(match["letter"], match["letter"])
    return Package(
        name=name, family=f"{kind}-{row[0]}", termination="chip", length=row[2], width=row[3]
    )


def _of_chip(name: str, match: re.Match[str]) -> Package:
    """Return a chip by its size: two digits of length and two of width, in tenths of a millimetre."""
    kind, termination = _PREFIXES[match["prefix"]]
    size = match["size"]
    row = _BY_METRIC.get(size)
    code = row[0] if row and termination == "chip" else f"{size}M"
    return Package(
        name=name,
        family=f"{kind}-{code}",
        termination=termination,
        length=int(size[:2]) / 10,
        width=int(size[2:]) / 10,
        height=_mm(match["h"]),
    )


def _of_body(name: str, match: re.Match[str]) -> Package:
    kind, termination = _PREFIXES[match["prefix"]]
    return Package(
        name=name,
        family=f"{kind}-{match['pins']}",
        termination=termination,
        length=_mm(match["l"]),
        width=_mm(match["w"]),
        height=_mm(match["h"]),
        pitch=_mm(match["pitch"]),
        pins=int(match["pins"]),
    )


def _of_bare(name: str, match: re.Match[str]) -> Package | None:
    code = match["code"]
    row = (_BY_METRIC if match["metric"] else _BY_IMPERIAL).get(code)
    if row is None:
        return None
    kind = _LETTERS.get(match["letter"] or "", "CHIP")
    doubt = ""
    if code in AMBIGUOUS and not match["metric"]:
        doubt = f"{code} is read in inches ({row[2]:g} mm long); in millimetres it is {_BY_METRIC[code][0]}"
    return Package(
        name=name,
        family=f"{kind}-{row[0]}",
        termination="chip",
        length=row[2],
        width=row[3],
        doubt=doubt,
    )


def _of_family(name: str, match: re.Match[str]) -> Package | None:
    """Return what a kind and its pins say, as in SOIC8."""
    found = _PREFIXES.get(match["kind"])
    if found is None:
        return None
    return Package(
        name=name,
        family=f"{found[0]}-{int(match['pins'])}",
        termination=found[1],
        pins=int(match["pins"]),
    )


_READERS = (
    (_PAIR, _of_pair),
    (_BALLS, _of_body),
    (_LEADED, _of_body),
    (_CHIP, _of_chip),
    (_BARE, _of_bare),
    (_FAMILY, _of_family),
)
