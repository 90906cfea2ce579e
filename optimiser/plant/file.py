"""The plant file ``plant.toml``: read, validated at the door, frozen.

Everything below this door may trust its types and ranges. An error names the file, the
key, the value, what is allowed, and the nearest valid name.
"""

import math
import re
import tomllib
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)

from optimiser.errors import PlantError, UsageError, nearest
from optimiser.plant.database import Database
from optimiser.plant.names import RESERVED, is_reserved, look_alike, skeleton
from optimiser.plant.shape import FileShape, MeasurementShape, refuse_unknown_measurements

Side = Literal["lower", "upper"]
SIDES: tuple[Side, Side] = ("lower", "upper")
Act = Literal["accept", "hold", "reject", "withdraw", "export", "rollback", "keep"]
"""What people sign; ``keep`` takes a known-bad item into the must-catch set."""
RailName = Literal[
    "workmanship",
    "must-catch",
    "untested",
    "furthest-good",
    "largest-move",
    "call-load",
    "critical",
    "released-share",
    "working-limit",
]
RAILS: tuple[RailName, ...] = get_args(RailName)
STAGES = ("paste", "pre-reflow", "post-reflow")
"""Where items are inspected, in the order in which a board meets them, unless the plant lists its own."""
Feature = Literal[
    "side overhang",
    "end overhang",
    "end joint width",
    "side joint length",
    "fillet height",
]
"""What workmanship criteria bound and a measurement may be of (`plant/workmanship.py`)."""
FEATURES: tuple[Feature, ...] = get_args(Feature)


def _a_number(value: Any) -> Any:  # noqa: ANN401 - whatever stands in the file
    """Refuse what is no number of this world: true and false (they would be 1 and 0), nan, inf."""
    if isinstance(value, bool) or (isinstance(value, float) and not math.isfinite(value)):
        msg = "must be a finite number"
        raise ValueError(msg)
    return value


LARGEST = 1e12
"""No price, step or bound of a plant is larger; 1e300 is a slip of the pen."""
Number = Annotated[
    float, BeforeValidator(_a_number), Field(le=LARGEST, ge=-LARGEST, allow_inf_nan=False)
]
Positive = Annotated[Number, Field(gt=0)]
NonNegative = Annotated[Number, Field(ge=0)]
Name = Annotated[str, Field(min_length=1, pattern=r"^\S(.*\S)?$")]


def _a_list(value: Any) -> Any:  # noqa: ANN401 - whatever stands in the file
    """Refuse one name where a list is meant: it would be read letter by letter, or not at all."""
    if isinstance(value, str):
        msg = f'must be a list, such as ["{value}"]'
        raise ValueError(msg)
    return value


def _once_each(names: tuple[str, ...]) -> tuple[str, ...]:
    """Refuse a list that names something twice, capitals aside."""
    folded = [name.casefold() for name in names]
    twice = next((name for name in names if folded.count(name.casefold()) > 1), None)
    if twice is not None:
        msg = f"{twice!r} is listed twice; name each once"
        raise ValueError(msg)
    return names


Listed = Annotated[tuple[Name, ...], BeforeValidator(_a_list), AfterValidator(_once_each)]


class Record(BaseModel):
    """A frozen table of the plant file; unknown keys are errors."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=False, hide_input_in_errors=True)


class Site(Record):
    """``[plant]``: the plant's name, its currency, where its files lie.

    Paths are relative to the plant file. ``history`` is a file, a folder or a glob;
    ``verdicts`` a file or a folder of verdicts that arrived after the results: key columns,
    verdict, defect, found_by, weight. The last row of the last file, by name, stands.
    Items from before ``history_from`` are set aside: their clock was wrong.
    ``invented`` marks a demo: every panel and page says so. ``only_called`` says that the results
    hold called items alone: what a tighter limit would call then nobody can count, so that no
    limit is tightened; ``inspected`` may name a CSV of ``lot, family, items`` with how many there
    were in all.
    """

    name: Name
    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$")] = "EUR"
    history: Name = "history"
    recipe: Name = "recipe.csv"
    must_catch: Name | None = None
    verdicts: Name | None = None
    history_from: date = date(2000, 1, 1)
    invented: bool = False
    only_called: bool = False
    inspected: Name | None = None


class Review(Record):
    """``[review]``: what one call costs and how often a reviewer is wrong.

    ``miss_rate`` is the share of called defects that the reviewer passes,
    ``false_alarm_rate`` the share of called goods that the reviewer calls defects. A second
    look at a label takes ``seconds_per_second_look``; only labels that would free
    ``false_calls_per_second_look`` false calls over the history are worth one.
    """

    seconds_per_call: Positive = 30.0
    cost_per_hour: NonNegative = 40.0
    miss_rate: Annotated[Number, Field(ge=0, lt=1)] = 0.0
    false_alarm_rate: Annotated[Number, Field(ge=0, lt=1)] = 0.0
    seconds_per_second_look: Positive = 120.0
    false_calls_per_second_look: Positive = 25.0

    @property
    def cost_per_call(self) -> float:
        """Money per reviewed call."""
        return self.seconds_per_call / 3600.0 * self.cost_per_hour


class EscapeCost(Record):
    """``[escape_cost]``: money per escape by defect type, times a factor by finder."""

    default: NonNegative = 50.0
    by_defect: dict[str, NonNegative] = Field(default_factory=dict)
    by_finder: dict[Literal["test", "field"], NonNegative] = Field(default_factory=dict)


class Labels(Record):
    """``[labels]``: how verdicts come about.

    ``test_coverage`` is the share of escapes that electrical test finds; a defect found
    downstream therefore stands for its inverse.
    """

    test_coverage: Annotated[Number, Field(gt=0, le=1)] = 1.0


class Measurement(Record):
    """``[measurements.NAME]``: unit, settable step, repeatability in that unit.

    Without a ``step`` a limit may be set at any observed value. ``repeatability_freedom`` is the
    degrees of freedom of the study that gave the repeatability, parts × (readings of each - 1). A
    ``check`` measures 0 where an item passes it and 1 where it fails (a code, a flag): its upper
    limit is on, at 0.5, or off.
    ``feature`` says which feature of a joint is measured, where the measurement's own name does not:
    workmanship bounds are computed for it.
    """

    unit: Name
    step: Positive | None = None
    repeatability: NonNegative = 0.0
    repeatability_freedom: Annotated[int, Field(ge=1)] | None = None
    about: str = ""
    check: bool = False
    feature: Feature | None = None

    @model_validator(mode="after")
    def _freedom_is_of_a_study(self) -> Self:
        if self.repeatability_freedom is not None and not self.repeatability:
            msg = (
                "repeatability_freedom: says from how much a repeatability is known; give that too"
            )
            raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _a_check_has_no_scale(self) -> Self:
        if self.check and (self.step is not None or self.repeatability):
            msg = "check: a check is on or off; take step and repeatability out"
            raise ValueError(msg)
        return self


class Bound(Record):
    """The acceptance criterion of one measurement: a limit may never be looser."""

    lower: Number | None = None
    upper: Number | None = None

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.lower is not None and self.upper is not None and self.lower >= self.upper:
            msg = f"lower < upper must hold, got lower={self.lower:g}, upper={self.upper:g}"
            raise ValueError(msg)
        return self

    def side(self, side: Side) -> float | None:
        """Return the bound on one side, or None."""
        return self.lower if side == "lower" else self.upper


class Dimensions(Record):
    """``[families.NAME.package]``: what is known of a package and its lands, mm.

    ``name`` is the package's (``RESC1608X55N``); what it says completes the rest. ``width`` of the
    termination or lead, ``land`` width, ``height`` of the termination, ``thickness`` of the lead,
    ``foot`` length, ``solder`` thickness below.
    """

    name: Name | None = None
    width: Positive | None = None
    land: Positive | None = None
    height: Positive | None = None
    thickness: Positive | None = None
    foot: Positive | None = None
    solder: NonNegative | None = None

    def known(self) -> dict[str, float]:
        """Return the dimensions that are known, by name."""
        return dict(self.model_dump(exclude={"name"}, exclude_none=True))


class Family(Record):
    """``[families.NAME]``: product class, criticality, termination, workmanship bounds, dimensions.

    ``miss_rate`` and ``false_alarm_rate`` say what reviewers do in this family where that is
    known to differ from ``[review]``.
    """

    product_class: Annotated[int, Field(ge=1, le=3, alias="class")] = 2
    critical: bool = False
    termination: str | None = None
    miss_rate: Annotated[Number, Field(ge=0, lt=1)] | None = None
    false_alarm_rate: Annotated[Number, Field(ge=0, lt=1)] | None = None
    workmanship: dict[str, Bound] = Field(default_factory=dict)
    package: Dimensions | None = None


class Rails(Record):
    """``[rails]``: the settings of the rules that stop a limit from moving further.

    The largest move in one revision is meant in steps, or in ``largest_move_spreads``, standard
    deviations of the goods; of both the wider one holds. Without either it is the wider of 12
    steps and 1 spread, so that steps much finer than the goods' scatter freeze no limit.
    """

    off: tuple[RailName, ...] = ()
    guard_sigmas: NonNegative = 2.0
    largest_move_steps: Annotated[int, Field(ge=1)] | None = None
    largest_move_spreads: Positive | None = None
    call_load_share: Annotated[Number, Field(gt=0, lt=1)] = 0.01
    released_share: Annotated[Number, Field(ge=0, le=1)] = 0.5
    minimum_defects: Annotated[int, Field(ge=1)] = 8
    mismatch_share: Annotated[Number, Field(ge=0, lt=1)] = 0.001

    def holds(self, rail: RailName) -> bool:
        """Return whether a rail is in force."""
        return rail not in self.off

    @property
    def largest_move(self) -> tuple[int, float]:
        """Steps and spreads of the largest move, 0 for one that does not count."""
        if self.largest_move_steps is None and self.largest_move_spreads is None:
            return 12, 1.0
        return self.largest_move_steps or 0, self.largest_move_spreads or 0.0


class Line(Record):
    """``[line]``: the stages that a board meets, and the pace that review has to keep.

    A board takes ``seconds_per_board`` on the line; ``reviewers`` people review side by side. Without
    the first no pace is held. ``stages`` lists where items are inspected, in the order in which a
    board meets them. An item of a family in ``whole_components`` stands for all pins of its
    designator, at that stage. An item is taken for the one that was inspected at a later stage only
    ``follow_within_hours`` after it, where that is given.
    """

    seconds_per_board: Positive | None = None
    reviewers: Annotated[int, Field(ge=1)] = 1
    stages: Annotated[Listed, Field(min_length=1)] = STAGES
    whole_components: Listed = ()
    follow_within_hours: Positive | None = None


class AdviceRule(Record):
    """``[advice]``: when a change that was found is advised.

    Its expected saving must exceed ``smallest_saving`` (money a month), and its chance of losing
    money in the long run, as far as the history can tell, must not exceed
    ``largest_chance_of_loss``, or one half where it only tightens.
    """

    smallest_saving: NonNegative = 0.0
    largest_chance_of_loss: Annotated[Number, Field(gt=0, le=0.5)] = 0.15


class Signer(Record):
    """``[signers."Name"]``: a person who may sign.

    Attributes
    ----------
    may : tuple of str
        What this person may sign: ``accept``, ``hold``, ``reject``, ``withdraw``, ``export``,
        ``rollback``, ``keep``; all of it where the list is empty.
    key : str or None
        A public SSH key (``ssh-ed25519 AAAA…``); with it this person accepts by a signature of the
        private one (`ledger/signatures.py`).
    """

    may: tuple[Act, ...] = ()
    key: Annotated[str, Field(pattern=r"^(ssh|ecdsa|sk)-\S+ \S+")] | None = None


class RecipeForm(Record):
    """``[recipe_form]``: the form in which a machine imports a recipe.

    Attributes
    ----------
    template : str
        A Jinja2 template beside the plant file; given ``revision``, ``plant`` and ``rows``.
    file : str
        Name of the file, with ``{revision}`` in it.
    back : str
        A regular expression that finds every limit again: the groups ``name``, ``measurement`` and
        ``lower`` and ``upper``, or ``side`` and ``limit``.
    none : str
        What stands for no limit.
    names : dict of str to str
        The machine's names of families and measurements, where they differ.
    """

    template: Name
    file: Annotated[str, Field(pattern=r"^[^/\\]*\{revision\}[^/\\]*$")]
    back: Name
    none: str = ""
    names: dict[str, Name] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _reads_back(self) -> Self:
        try:
            groups = set(re.compile(self.back, re.MULTILINE).groupindex)
        except re.error as error:
            msg = f"back: not a regular expression ({error})"
            raise ValueError(msg) from error
        if not {"name", "measurement"} <= groups or not (
            {"side", "limit"} <= groups or groups & {"lower", "upper"}
        ):
            msg = (
                "back: needs the groups (?P<name>…), (?P<measurement>…) and (?P<lower>…), (?P<upper>…) or "
                "(?P<side>…), (?P<limit>…)"
            )
            raise ValueError(msg)
        if len(set(self.names.values())) < len(self.names):
            msg = "names: two names have one and the same name on the machine"
            raise ValueError(msg)
        return self


class Machines(Record):
    """``[machines]``: where the long readings are worked on.

    Attributes
    ----------
    scheduler : str or None
        Address of a Dask scheduler (``tcp://host:8786``) whose workers see the plant's folder under
        the same path and have the same seal key (OPTIMISER_SEAL_KEY); without it, this machine.
    """

    scheduler: (
        Annotated[str, Field(pattern=r"^(tcp|tls|ucx|ws|wss)://[^\s/:]+:\d{1,5}$")] | None
    ) = None


class PlantFile(Record):
    """All of ``plant.toml``."""

    plant: Site
    review: Review = Review()
    escape_cost: EscapeCost = EscapeCost()
    labels: Labels = Labels()
    measurements: Annotated[dict[str, Measurement], Field(min_length=1)]
    families: Annotated[dict[str, Family], Field(min_length=1)]
    rails: Rails = Rails()
    advice: AdviceRule = AdviceRule()
    line: Line = Line()
    signers: dict[str, Signer] = Field(default_factory=dict)
    results: tuple[FileShape, ...] = ()
    verdict_files: FileShape | None = None
    recipe_form: RecipeForm | None = None
    machines: Machines = Machines()
    databases: tuple[Database, ...] = ()

    @model_validator(mode="after")
    def _workmanship_is_measured(self) -> Self:
        for family, row in self.families.items():
            for measurement in row.workmanship:
                if measurement not in self.measurements:
                    msg = (
                        f"families.{family}.workmanship.{measurement}: not a measurement; "
                        + nearest(measurement, self.measurements)
                    )
                    raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _files_hold_its_measurements(self) -> Self:
        refuse_unknown_measurements(self.results, self.measurements)
        return self

    @model_validator(mode="after")
    def _files_hold_its_stages(self) -> Self:
        shapes = [(f"results.{n}", shape) for n, shape in enumerate(self.results)]
        shapes += [("verdict_files", self.verdict_files)] if self.verdict_files is not None else []
        for place, shape in shapes:
            constant = shape.constants.get("stage", "")
            named = [("constants.stage", constant)] if constant else []
            named += [("words.stage", word) for word in shape.words.get("stage", {}) if word]
            for key, stage in named:
                if stage not in self.line.stages:
                    msg = (
                        f"{place}.{key}: {stage!r} is no stage of line.stages; "
                        f"{nearest(stage, self.line.stages)}, or list it there, in the order of the line"
                    )
                    raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _whole_components_are_families(self) -> Self:
        for family in self.line.whole_components:
            if family not in self.families:
                msg = f"line.whole_components: {family!r} is no family; " + nearest(
                    family, self.families
                )
                raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _databases_have_names(self) -> Self:
        names = [database.name for database in self.databases]
        twice = next((name for name in names if names.count(name) > 1), None)
        if twice is not None:
            msg = f"databases: two are named {twice!r}; their files would be mixed up"
            raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _signers_are_people(self) -> Self:
        odd = [n for n in self.signers if not skeleton(n) or not n.isprintable()]
        odd += [n for n in self.signers if is_reserved(n)]
        if odd:
            msg = f"signers.{odd[0]!r}: is no person's name; {', '.join(RESERVED)} are reserved"
            raise ValueError(msg)
        alike = look_alike(self.signers)
        if alike is not None:
            msg = f"signers: {alike[0]!r} and {alike[1]!r} look alike; name each person once"
            raise ValueError(msg)
        return self

    def ground(self) -> str:
        """Return all that a proposal rests on as JSON.

        Who may sign, who computes, the pace of review, how items are followed, how recipes go out and
        what serves first limits alone are no part of it.
        """
        return self.model_dump_json(
            exclude={
                "families": {"__all__": {"package"}},
                "measurements": {"__all__": {"feature"}},
                "signers": True,
                "line": {
                    "seconds_per_board",
                    "reviewers",
                    "whole_components",
                    "follow_within_hours",
                },
                "machines": True,
                "recipe_form": True,
                "databases": True,
                "plant": {"invented"},
            }
        )

    def review_of(self, family: str) -> Review:
        """Return what reviewers do in a family: its own rates where it states any.

        Parameters
        ----------
        family : str

        Returns
        -------
        Review
        """
        own = self.families.get(family, Family())
        stated = {
            name: rate
            for name, rate in (
                ("miss_rate", own.miss_rate),
                ("false_alarm_rate", own.false_alarm_rate),
            )
            if rate is not None
        }
        return self.review.model_copy(update=stated) if stated else self.review

    def obeys_labels(self, family: str) -> bool:
        """Whether no setting may release a known defect of a family: it is critical, the rail holds.

        Parameters
        ----------
        family : str

        Returns
        -------
        bool
        """
        return self.families[family].critical and self.rails.holds("critical")

    def escape_price(self, defect: str | None) -> float:
        """Return the expected cost of one escape of a defect type.

        By type, times the factor of where it will be found: at test with the chance
        ``labels.test_coverage``, else in the field.

        Parameters
        ----------
        defect : str or None
            Defect type; unknown types and None cost the default.

        Returns
        -------
        float
            Money.
        """
        by_type = self.escape_cost.by_defect.get(defect or "", self.escape_cost.default)
        factor = self.escape_cost.by_finder
        covered = self.labels.test_coverage
        return by_type * (
            covered * factor.get("test", 1.0) + (1 - covered) * factor.get("field", 1.0)
        )


class Plant(Record):
    """A validated plant file and the folder its paths are relative to."""

    path: Path
    file: PlantFile

    @property
    def folder(self) -> Path:
        """The folder that holds plant.toml."""
        return self.path.parent

    def locate(self, relative: str) -> Path:
        """Return a path of the plant file, resolved against its folder."""
        return self.folder / relative


def read_plant(where: Path) -> Plant:
    """Read and validate a plant file.

    Parameters
    ----------
    where : Path
        The file ``plant.toml`` or the folder that holds it.

    Returns
    -------
    Plant

    Raises
    ------
    UsageError
        If there is no such file.
    PlantError
        If a rule is broken: file, key, value, what is allowed.
    """
    path = where / "plant.toml" if where.is_dir() else where
    if not path.is_file():
        msg = (
            f"no plant file at {path}{_lies_near(path)}; name a folder that holds plant.toml, or write "
            "an invented plant with: optimiser demo FOLDER"
        )
        raise UsageError(msg)
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        msg = f"{path}: not valid TOML ({error})"
        raise PlantError(msg) from error
    try:
        return Plant(path=path, file=PlantFile.model_validate(table))
    except ValidationError as error:
        raise PlantError(_explain(path, error)) from error


def _lies_near(path: Path) -> str:
    """Return the plants that lie in the folders around a path, in words."""
    around = next((p for p in path.absolute().parents if p.is_dir()), None)
    if around is None:
        return ""
    places = [
        p for kind in ("plant.toml", "*/plant.toml", "../*/plant.toml") for p in around.glob(kind)
    ]
    names = sorted({str(p.parent.resolve()) for p in places})
    return (
        f" (plants near it: {', '.join(names[:5])})"
        if names
        else f" (no plant lies in or near {around})"
    )


def _explain(path: Path, error: ValidationError) -> str:
    """Return one line per broken rule, three at most."""
    problems = error.errors(include_url=False)
    lines = [f"{path}: {_one(problem)}" for problem in problems[:3]]
    if len(problems) > 3:
        lines.append(f"{path}: … and {len(problems) - 3} more")
    return "\n".join(lines)


def _one(problem: Any) -> str:  # noqa: ANN401 - pydantic's dict
    """Return rule, key and value of one pydantic finding."""
    where = ".".join(str(part) for part in problem["loc"]) or "plant.toml"
    if problem["type"] == "extra_forbidden":
        known = _known_keys(problem["loc"][:-1])
        return f"{where}: no such key; {nearest(str(problem['loc'][-1]), known)}"
    if problem["type"] == "missing":
        return f"{where}: missing; add it"
    rule = problem["msg"].removeprefix("Value error, ")
    value = problem["input"]
    shown = "" if isinstance(value, dict) else f", got {value!r}"
    return f"{where}: {rule[0].lower() + rule[1:]}{shown}"


def _known_keys(loc: tuple[str | int, ...]) -> list[str]:
    """Return the keys allowed in the table at ``loc``."""
    model: type[BaseModel] = PlantFile
    tables: dict[str, type[BaseModel]] = {
        "plant": Site,
        "review": Review,
        "escape_cost": EscapeCost,
        "labels": Labels,
        "measurements": Measurement,
        "families": Family,
        "rails": Rails,
        "advice": AdviceRule,
        "results": FileShape,
        "verdict_files": FileShape,
        "recipe_form": RecipeForm,
        "line": Line,
        "databases": Database,
    }
    if loc:
        model = tables.get(str(loc[0]), PlantFile)
    if "workmanship" in loc:
        model = Bound
    if loc and loc[0] == "families" and loc[-1] == "package":
        model = Dimensions
    if loc and loc[0] == "results" and "measurements" in loc:
        model = MeasurementShape
    return [field.alias or name for name, field in model.model_fields.items()]


def off_limit(side: Side) -> float:
    """Return the limit that never calls: -inf below, +inf above."""
    return -math.inf if side == "lower" else math.inf
