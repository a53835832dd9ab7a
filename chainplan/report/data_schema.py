# ruff: noqa: N815  # keys end in their unit, and the volt is V
"""The shape of the results as data, from which their JSON Schema is made.

Every quantity's key ends in its unit: ``_s`` second, ``_V`` volt, ``_m`` metre, ``_bit`` bit, ``_bit_per_s``
bit per second, ``_ratio`` a plain ratio (1 = 100 %), ``_count`` a number of things, ``_A`` ampere, ``_Ah``
ampere-hour. Where figures of several dimensions can stand, there is one key per unit and exactly one of them
is present. A figure that is not known is null. Parts with the same figures share a record that lists their
names.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import create_model

from chainplan.report.data import SCHEMA_VERSION
from chainplan.report.fault_schema import FaultsData
from chainplan.report.headroom_schema import HeadroomData
from chainplan.report.record_schema import ResultRecord as _Record
from chainplan.report.record_schema import figures
from chainplan.report.room_schema import CoverageData, UplinkData
from chainplan.report.standby_schema import BalancingData, StartUpData, SupplyData
from chainplan.report.wire_schema import ErrorsData, LengthData, ReachData

Status = Literal["met", "missed", "not checked"]


class ToolData(_Record):
    """What wrote the results."""

    name: Literal["chainplan"]
    version: str


class PlanData(_Record):
    """Which plan the results are about."""

    file: str
    include: list[str]
    set: dict[str, str]
    """Values set instead of what the files say, by key."""
    title: str
    revision: str
    date: str | None
    about: str


class _VerdictWords(_Record):
    target: str
    subject: str
    status: Status
    sense: Literal["at most", "below", "at least"]
    """How the worst case must stand to the limit."""
    margin_share_of_limit: float | None
    figure: str
    """Name of the sum in `figures`; empty where there is none."""
    where: str
    note: str


VerdictData = create_model(
    "VerdictData",
    __base__=_VerdictWords,
    __doc__="A target beside the worst case it limits.",
    **figures("worst", "limit", "margin", "typical"),
)


class _TermWords(_Record):
    label: str
    how: str
    times: int
    parts_of_each: list[TermData]
    """The terms that `each` is the sum of; empty where it is not split."""


TermData = create_model(
    "TermData",
    __base__=_TermWords,
    __doc__="One addend: times x each = total.",
    **figures("each", "total"),
)


class _SumWords(_Record):
    label: str
    formula: str
    source: str
    terms: list[TermData]


SumData = create_model(
    "SumData", __base__=_SumWords, __doc__="A figure; its terms add up to it.", **figures("total")
)


class SameData(_Record):
    """A figure with the same total, terms, formula and source as another one: see there."""

    label: str
    same_as: str
    """Name of the other one."""


class PeriodData(_Record):
    """A time with its tolerance."""

    min_s: float
    typical_s: float
    max_s: float


class TaskTimeData(_Record):
    """One task's slot."""

    task: str
    every_scans: int
    phase: int
    worst_s: float
    typical_s: float


class SlotData(_Record):
    """A task's place in a scan, worst case, since the scan began."""

    task: str
    start_s: float
    end_s: float


class ScanKindData(_Record):
    """Scans of the major cycle that have the same tasks."""

    scans: list[int]
    slots: list[SlotData]


class PhasesData(_Record):
    """How good the choice of phases is."""

    quality: str
    proved_optimal: bool
    busiest_slots_s: float
    lower_bound_s: float


class PortData(_Record):
    """How long a port has an exchange under way in the busiest scan, worst case."""

    port: str
    busy_s: float


class ChainTimeData(_Record):
    """How long a chain has an exchange under way in the busiest scan, worst case."""

    chain: str
    busy_s: float


class ScanData(_Record):
    """How a controller scans."""

    worst_s: float
    typical_s: float
    utilisation_worst_ratio: float
    utilisation_typical_ratio: float
    retry_reserve_s: float
    major_cycle_scans: int
    busiest_scan: int
    phases: PhasesData
    tasks: list[TaskTimeData]
    slots: list[ScanKindData]
    slots_complete: bool
    """False where the major cycle is too long to be written out."""
    ports: list[PortData]
    chains: list[ChainTimeData]


class SampleData(_Record):
    """Age and skew of one task's values; skew is null without a trigger."""

    task: str
    age_worst_s: float
    age_typical_s: float
    oldest_at: str
    skew_worst_s: float | None
    skew_typical_s: float | None


class TaskBytesData(_Record):
    """One task's traffic per run."""

    task: str
    every_scans: int
    exchanges: int
    samples: int
    payload_bit: int
    wire_bit: int
    host_bus_bit: int
    byte_per_sample: float | None
    efficiency_ratio: float


class BytesData(_Record):
    """A controller's traffic, fault-free."""

    tasks: list[TaskBytesData]
    busiest_scan_wire_bit: int
    mean_scan_payload_bit: float
    mean_scan_wire_bit: float
    mean_scan_host_bus_bit: float
    efficiency_ratio: float
    host_bus_load_worst_ratio: float | None
    log_byte_per_hour: float


class ControllerData(_Record):
    """One controller."""

    controller: str
    scan_period: PeriodData
    scan: ScanData
    samples: list[SampleData]
    bytes: BytesData


class HazardData(_Record):
    """From a fault to the safe state (ISO 26262-1:2018)."""

    hazard: str
    controller: str
    path: str
    status: Status
    FDTI_worst_s: float
    FDTI_typical_s: float
    FRTI_worst_s: float
    FRTI_typical_s: float
    FHTI_worst_s: float
    FHTI_typical_s: float
    FTTI_s: float


class SleepData(_Record):
    """What the nodes watch for while the controllers sleep, and what nobody watches for then."""

    hazards: list[HazardData]
    not_watched: list[str]


class NodeData(_Record):
    """A node, and its potentials above HV- of its string, all cells full."""

    node: str
    board: str
    string: str
    cells_count: int
    reference_V: float
    top_V: float


class CaseData(_Record):
    """A segment in one case: between references (`stress`) and between the worst pair of conductors."""

    case: str
    stress_V: float
    conductors_V: float
    note: str


class _CheckWords(_Record):
    subject: str
    place: str
    status: Status
    voltage_V: float
    """What the need rests upon."""
    rule: str
    note: str
    reason: str
    """Why there is nothing to compare."""


CheckData = create_model(
    "CheckData",
    __base__=_CheckWords,
    __doc__="One figure of a segment's isolation, needed and offered.",
    **figures("needed", "offered", "margin"),
)


class SegmentsData(_Record):
    """Segments alike: the worst stress of each against its barriers' rating, and every case."""

    segments: list[str]
    insulation: str
    status: Status
    stress_V: float
    stress_case: str
    rating_V: float | None
    margin_V: float | None
    conductors_V: float
    conductors_case: str
    voltage_class_B: bool
    checks: list[CheckData]
    cases: list[CaseData]


class ChainData(_Record):
    """A chain from its head: its segment i, called CHAIN#i, leads to node i, in a ring one more back."""

    chain: str
    controller: str
    head: str
    back: str | None
    """The port at the other end of a ring."""
    protocol: str
    nodes: list[NodeData]


class StraddledData(_Record):
    """A board whose cells lie on both sides of a break."""

    board: str
    node: str
    string: str
    opening: str
    voltage_V: float


class IsolationData(_Record):
    """What each segment's isolation carries."""

    segments: list[SegmentsData]
    straddled_boards: list[StraddledData]
    notes: list[str]


class WarningData(_Record):
    """A warning about the plan, with its place where it has one."""

    message: str
    file: str | None
    line: int | None
    key: str


class Results(_Record):
    """All results of one plan."""

    format: Literal["chainplan results"]
    schema_version: Literal[2]
    tool: ToolData
    plan: PlanData
    counts: dict[Status, int]
    verdicts: list[VerdictData]
    chains: list[ChainData]
    controllers: list[ControllerData]
    hazards: list[HazardData]
    start_up: list[StartUpData]
    sleep: SleepData | None
    """Null where the plan says nothing of sleep."""
    balancing: list[BalancingData]
    supply: SupplyData
    single_faults: FaultsData
    lengths: list[LengthData]
    headroom: HeadroomData | None
    """Null unless it was asked for."""
    reach: ReachData | None
    """Null unless it was asked for."""
    errors: ErrorsData
    isolation: IsolationData
    coverage: CoverageData
    uplink: UplinkData | None
    """Null where the plan has no bus above the controllers."""
    figures: dict[str, SumData | SameData]
    """Every sum by its name, with its terms; of segments alike that no verdict names, the first one's."""
    warnings: list[WarningData]
    assumptions: list[str]
    cautions: list[str]


def data_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the results, version :data:`SCHEMA_VERSION`."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"chainplan results, schema version {SCHEMA_VERSION}",
        **{key: value for key, value in Results.model_json_schema().items() if key != "title"},
    }
