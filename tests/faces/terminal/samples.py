"""Invented figures documents for the tests of the terminal view: none of the numbers was measured or computed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from msgspec.structs import replace

from monitor.faces.terminal.text import Link
from monitor.figures.document import (
    Anytime,
    BoardFigures,
    Careful,
    CarefulBound,
    Chips,
    CoverageFigures,
    DispositionLine,
    EarlyShown,
    EveryFailure,
    Exposure,
    ExtrapolationLine,
    FailureFigures,
    Figures,
    FixedLook,
    Forecast,
    Incident,
    Influence,
    Intake,
    LateLine,
    LifeFitted,
    LifeRatios,
    LifeShown,
    LotFigures,
    LotMechanism,
    MechanismFigures,
    OutsideLine,
    ParameterFigures,
    PassLineStanding,
    Plan,
    PoolingFigures,
    Provenance,
    Ratios,
    ReadErrorBound,
    ReadPointLine,
    Reads,
    SequentialStanding,
    ShiftedLine,
    SocketFigures,
    Target,
    TargetFixed,
    TotalBounds,
    Uncredited,
    UseLine,
)
from monitor.rules.alerts import Alert

AS_OF_MS = 1_773_324_310_000  # 2026-03-12 14:05:10 UTC
FAILED_AT_MS = AS_OF_MS - 1_260_000  # 13:44:10
RACKS = ("oven-1", "oven-2")
CHIPS = 231  # of 240 sockets; the last board has nine empty ones


def link(**changes: Any) -> Link:
    """A live link with data 4 s old."""
    usual: dict[str, Any] = {
        "source": "http://127.0.0.1:8631",
        "state": "live",
        "age_s": 4.0,
        "stale_after_s": 30.0,
    }
    return Link(**(usual | changes))


def socket_of(rack: str, board: int, socket: int) -> int:
    """The number of a chip, 1 to 231, by its place."""
    return (RACKS.index(rack) * 6 + board - 1) * 20 + socket


def serial(rack: str, board: int, socket: int) -> str:
    """The serial of the chip at a place."""
    number = socket_of(rack, board, socket)
    lot = "ABC"[(number - 1) // 77]
    return f"{lot}-{(number - 1) % 77 + 1:03}"


def board(
    rack: str, number: int, state: str = "stressing", troubles: dict[int, str] | None = None
) -> BoardFigures:
    """One board of 20 sockets, all in the board's state except those named in ``troubles``."""
    usual = "reading" if state in ("stressing", "not reading") else state
    sockets = [
        SocketFigures(k, serial(rack, number, k), (troubles or {}).get(k, usual))
        for k in range(1, 21)
        if socket_of(rack, number, k) <= CHIPS
    ]
    return BoardFigures(
        rack=rack,
        board=number,
        last_seq=14_832,
        last_t_ms=AS_OF_MS - 3_000,
        temp_c=131.24 if state == "temperature" else 125.0 + number / 10,
        supply_v=1.871 if state == "supply" else 1.979,
        state=state,
        last_recv_ms=AS_OF_MS - 2_000,
        boots=1,
        credited_h=8_243.17,
        sockets=sockets,
    )


def boards(special: Sequence[BoardFigures] = ()) -> list[BoardFigures]:
    """Twelve boards in two racks; those in ``special`` stand for the usual ones."""
    places = {(item.rack, item.board): item for item in special}
    return [places.get((rack, n), board(rack, n)) for rack in RACKS for n in range(1, 7)]


def mechanism(name: str, failures: int = 0, every: int | None = None, **changes: Any) -> MechanismFigures:
    """A mechanism with both bounds at 60 % and 90 %; FIT values with more digits than are shown."""
    looks = [FixedLook(0.6, 11.2311, 0.0, 0.0), FixedLook(0.9, 28.2201, 0.0, 0.0)]
    always = [Anytime(0.6, 31.4401), Anytime(0.9, 62.7801)]
    usual: dict[str, Any] = {
        "name": name,
        "ea_ev": 1.1,
        "gamma_per_v": 0.0,
        "voltage_exponent": 0.0,
        "acceleration": 858.3,
        "equivalent_h": 81_593_211.9,
        "failures": failures,
        "bounds": looks,
        "anytime": always,
        "all": EveryFailure(failures if every is None else every, looks, always),
        "effective_use_temp_c": 61.3,
        "careful": None,
        "pass_line": None,
        "sequential": None,
        "life": [LifeShown(s, 0.9, 0.98712, 0.98101, 99.013, 101.02) for s in (0.5, 1.0, 2.0)],
        "early": [EarlyShown(0.9, 8766.0, failures, 28.2201, 247.378, 33.4901, 293.575, covers=True)],
        "fitted": None,
        "curve": [],
        "influences": [
            Influence("ea_ev", 1.0, 1.2, 120.012, 31.003, stated=False),
            Influence("failures", 0, 1, 62.7801, 81.0022, stated=False),
        ],
    }
    return MechanismFigures(**(usual | changes))


def gate_oxide(failures: int = 0, **changes: Any) -> MechanismFigures:
    """A mechanism that the supply drives as well."""
    own = {"ea_ev": 0.7, "gamma_per_v": 3.5, "acceleration": 61.2}
    return mechanism("gate-oxide", failures, **(own | changes))


def plan() -> Plan:
    """The campaign of the samples."""
    return Plan(
        title="Tern A1 embedded flash, operating life",
        planned_hours=1000.0,
        temp_c=125.0,
        temp_low_c=123.0,
        temp_high_c=130.0,
        supply_v=1.98,
        supply_tol_v=0.04,
        supply_low_v=1.94,
        supply_high_v=2.02,
        report_interval_s=10.0,
        max_gap_s=30.0,
        life_years=15.0,
        elapsed_h=412.37,
        running_h=431.5,
        self_heating_c=4.0,
        use=[UseLine(0.06, -20.0, 1.8, 4.0), UseLine(0.94, 60.0, 1.8, 4.0)],
    )


def lot(name: str, credited_h: float) -> LotFigures:
    """A lot of 77 chips without a failure."""
    looks = [FixedLook(0.6, 33.7001, 0.0, 0.0), FixedLook(0.9, 84.6603, 0.0, 0.0)]
    always = [Anytime(0.6, 94.3203), Anytime(0.9, 188.3403)]
    mechanisms = [
        LotMechanism(mechanism, 27_197_737.3, 0, looks, always) for mechanism in ("charge-loss", "gate-oxide")
    ]
    return LotFigures(name, 77, 0, 0, credited_h, 22_829_633_333_339, mechanisms)


def sound(**changes: Any) -> Figures:
    """Every chip is stressed and read, and none has failed."""
    usual: dict[str, Any] = {
        "campaign": "tern-a1",
        "as_of_ms": AS_OF_MS,
        "chips": Chips(loaded=CHIPS, at_risk=CHIPS, failed=0, not_relevant=0, strangers=0, reading=CHIPS),
        "exposure": Exposure(95_123.47, Uncredited(0.0, 12.31, 20.06, 0.0, 1.5)),
        "reads": Reads(total=68_500_000_000_123, credited=68_488_900_000_017, errors=0, errors_at_risk=0),
        "mechanisms": [mechanism("charge-loss"), gate_oxide()],
        "read_error": [
            ReadErrorBound(0.6, 1.33801e-14, 1.62401e-14, None, None),
            ReadErrorBound(0.9, 3.36201e-14, 3.98901e-14, 8.62e-16, 1.02e-15),
        ],
        "target": Target(
            fit=50.0,
            met=False,
            hours_to_go=117.31,
            hours_to_go_one_more=488.02,
            date="2026-03-17T11:24Z",
            confidence=0.9,
            mechanism="gate-oxide",
            fixed=TargetFixed(
                met=True,
                hours_to_go=0.0,
                hours_to_go_one_more=77.7,
                date=None,
                date_one_more=None,
                watched_confidence=0.85291,
            ),
            date_one_more="2026-04-02T03:10Z",
            careful=False,
        ),
        "pooling": PoolingFigures(0.4129, "pooling supported", "exact conditional test"),
        "coverage": CoverageFigures(
            Ratios(0.1039, 0.1084, 0.1085, 25.0319),
            [
                LifeRatios("charge-loss", 2.6759, 2.6911, 2.6912, 620.4961),
                LifeRatios("gate-oxide", 0.1911, 0.1919, 0.1920, 44.2987),
            ],
            "macro",
            None,
            None,
        ),
        "lots": [
            lot("A", 31_707.88),
            lot("B", 31_707.81),
            lot("C", 31_707.78),
        ],
        "failures": [],
        "incidents": [],
        "boards": boards(),
        "intake": Intake(177_984, 12, 0, 3, 1, 0, 0, 0, 0, 0, {}, []),
        "plan": plan(),
        "total": [TotalBounds(0.9, 91.0002, 70.0112, 88.0031)],
        "forecast": Forecast(1000.0, 587.63, 0.91234, 0.95678, "gate-oxide", "an assumption"),
        "drift": [],
        "provenance": Provenance("f75ca1ff" * 8, "f75ca1ff" * 8, "lifebound 0.1.0"),
        "cautions": [],
    }
    return Figures(**(usual | changes))


def failure(**changes: Any) -> FailureFigures:
    """A failed chip of oven-1 board 1 socket 7."""
    usual: dict[str, Any] = {
        "serial": "A-007",
        "lot": "A",
        "rack": "oven-1",
        "board": 1,
        "socket": 7,
        "t_ms": FAILED_AT_MS,
        "up_ms": 1_483_200_000,
        "boot": "b-1",
        "hours": 411.98,
        "reads": 296_625_600_000,
        "address": 0x1A2B,
        "expected": "55aa",
        "observed": "55ab",
        "witness": "messages",
        "disposition": None,
        "mechanism": None,
        "dispositions": [],
    }
    return FailureFigures(**(usual | changes))


def troubled(**changes: Any) -> Figures:
    """One failed chip, three sockets not read, a board out of temperature, and a silent board."""
    special = [
        board("oven-1", 1, troubles={7: "failed"}),
        board("oven-1", 2, "not reading", {4: "not reading", 5: "not reading", 9: "not reading"}),
        board("oven-1", 5, "temperature"),
        board("oven-2", 3, "silent"),
    ]
    usual: dict[str, Any] = {
        "chips": Chips(loaded=CHIPS, at_risk=230, failed=1, not_relevant=0, strangers=0, reading=187),
        "reads": Reads(total=68_500_000_000_123, credited=68_488_900_000_017, errors=4, errors_at_risk=1),
        "mechanisms": [mechanism("charge-loss", 1), gate_oxide(1)],
        "failures": [failure()],
        "boards": boards(special),
    }
    return sound(**(usual | changes))


def three_unread() -> Figures:
    """Three chips of one board are not being read; nothing else is wrong."""
    lost = board("oven-1", 2, "not reading", {4: "not reading", 5: "not reading", 9: "not reading"})
    chips = Chips(loaded=CHIPS, at_risk=CHIPS, failed=0, not_relevant=0, strangers=0, reading=CHIPS - 3)
    return sound(chips=chips, boards=boards([lost]))


def nothing_yet() -> Figures:
    """A campaign before its first tally: H = 0, and every bound null."""
    none = [FixedLook(0.6, None, 0.0, None), FixedLook(0.9, None, 0.0, None)]
    never = [Anytime(0.6, None), Anytime(0.9, None)]
    bare = mechanism(
        "charge-loss", equivalent_h=0.0, bounds=none, anytime=never, all=EveryFailure(0, none, never)
    )
    empty = [
        replace(
            item,
            state="never seen",
            last_seq=None,
            last_t_ms=None,
            temp_c=None,
            supply_v=None,
            last_recv_ms=None,
            boots=0,
            credited_h=0.0,
            sockets=[replace(s, state="never seen") for s in item.sockets],
        )
        for item in boards()
    ]
    return sound(
        as_of_ms=None,
        chips=Chips(loaded=CHIPS, at_risk=CHIPS, failed=0, not_relevant=0, strangers=0, reading=0),
        exposure=Exposure(0.0, Uncredited(0.0, 0.0, 0.0, 0.0, 0.0)),
        reads=Reads(0, 0, 0, 0),
        mechanisms=[bare],
        read_error=[ReadErrorBound(c, None, None, None, None) for c in (0.6, 0.9)],
        target=Target(
            50.0,
            False,
            None,
            None,
            None,
            0.9,
            "charge-loss",
            TargetFixed(False, None, None, None, None, 0.85),
            None,
            False,
        ),
        pooling=PoolingFigures(None, "no failures", "exact conditional test"),
        coverage=CoverageFigures(
            Ratios(0.0, 0.0, 0.0, 0.0), [LifeRatios("charge-loss", 0.0, 0.0, 0.0, 0.0)], "macro", None, None
        ),
        boards=empty,
        intake=Intake(0, 0, 0, 0, 0, 0, 0, 0, 0, 0, {}, []),
        plan=replace(plan(), elapsed_h=0.0),
        total=[TotalBounds(0.9, None, None, None)],
        forecast=None,
    )


def judged() -> FailureFigures:
    """A failed chip that was judged twice."""
    return failure(
        disposition="not-relevant",
        dispositions=[
            DispositionLine("relevant", "gate-oxide", "R. Ostra", "leakage at the cell", AS_OF_MS - 900_000),
            DispositionLine("not-relevant", None, "M. Velt", "pin bent in handling", AS_OF_MS - 300_000),
        ],
    )


def alert(**changes: Any) -> Alert:
    """An alert that stands."""
    usual: dict[str, Any] = {
        "id": "a-1",
        "kind": "chip failed",
        "subject": "A-007",
        "reason": "first failed read at 411.9 h",
        "began_ms": FAILED_AT_MS,
    }
    return Alert(**(usual | changes))


def together() -> list[FailureFigures]:
    """The failures of the chips of the incident."""
    return [
        failure(serial=f"C-00{n}", lot="C", rack="oven-2", board=4, socket=n, hours=405.0 + n)
        for n in (4, 5, 6)
    ]


def ended(**changes: Any) -> Figures:
    """Both racks are offline, after the planned hours."""
    off = [board(rack, n, "offline") for rack in RACKS for n in range(1, 7)]
    chips = Chips(loaded=CHIPS, at_risk=CHIPS, failed=0, not_relevant=0, strangers=0, reading=0)
    usual: dict[str, Any] = {"boards": off, "chips": chips, "plan": replace(plan(), elapsed_h=1000.0)}
    return sound(**(usual | changes))


def incident() -> Incident:
    """Three chips of one board that failed together."""
    return Incident("oven-2", 4, ["C-004", "C-005", "C-006"], FAILED_AT_MS)


def careful(**changes: Any) -> Careful:
    """Ea stated as an interval: fewer hours and wider bounds than the plain ones."""
    bounds = [
        CarefulBound(0.6, 0.6, 23.4567, 30_123_987.6, 30.4209, 85.1604),
        CarefulBound(0.9, 0.6, 23.4567, 30_123_987.6, 76.4409, 170.0509),
    ]
    usual: dict[str, Any] = {"ea_low_ev": 0.6, "ea_high_ev": 0.8, "ea_sd_ev": None, "bounds": bounds}
    return Careful(**(usual | changes))


def passing(verdict: str = "go on", **changes: Any) -> PassLineStanding:
    """A pass line that allows one failure."""
    usual: dict[str, Any] = {
        "failures_allowed": 1,
        "confidence": 0.9,
        "fixed_look_confidence": 0.93245,
        "pass_h": 53_912_345.6,
        "verdict": verdict,
        "decided_h": None if verdict == "go on" else 53_918_765.4,
        "verdict_all": verdict,
    }
    return PassLineStanding(**(usual | changes))


def sequence(verdict: str = "go on", **changes: Any) -> SequentialStanding:
    """A sequential plan of a target of 50 FIT and a discrimination of 3."""
    usual: dict[str, Any] = {
        "good_fit": 16.666667,
        "producer_risk": 0.1,
        "consumer_risk": 0.1,
        "exact_producer_risk": 0.098765,
        "exact_consumer_risk": 0.112345,
        "accept_h": 65_912_345.6,
        "reject_h": 1_238_765.4,
        "truncation_failures": 6,
        "truncation_h": 189_000_000.0,
        "verdict": verdict,
        "decided_h": None if verdict == "go on" else 65_918_765.4,
        "verdict_all": verdict,
    }
    return SequentialStanding(**(usual | changes))


def fitted() -> LifeFitted:
    """A Weibull distribution fitted to a few failures; the upper limit of the scale is not known."""
    return LifeFitted(0.9, 1.8765, 1.00989, 3.0012, 5_012_345.6, 2_019_876.5, None, 0.98, 0.9501, 0.99)


def prediction(**changes: Any) -> ExtrapolationLine:
    """What is foretold of the worst chip at the end of the field life."""
    usual: dict[str, Any] = {
        "model": "linear",
        "serial": "A-007",
        "shown_for": ["least margin"],
        "value": 3.98765432,
        "low_end": 3.5,
        "high_end": 4.5,
        "bound": 5.01234567,
        "inside": True,
        "inside_with_confidence": False,
        "reason": None,
    }
    return ExtrapolationLine(**(usual | changes))


def drifting(**changes: Any) -> ParameterFigures:
    """A parameter at two read points, with everything that can stand out."""
    usual: dict[str, Any] = {
        "parameter": "Icc standby",
        "unit": "µA",
        "low_limit": None,
        "high_limit": 5.0,
        "mechanism": "gate-oxide",
        "confidence": 0.9,
        "life_stress_h": 2148.01,
        "read_points": [
            ReadPointLine(0.0, 77, 1.50004, 3.4, "A-001", None, None),
            ReadPointLine(168.0, 76, 1.62345, -0.25, "A-007", 0.12341, 0.5),
        ],
        "shifted": [ShiftedLine("A-007", 168.0, 3.75)],
        "outside": [OutsideLine("A-007", 168.0, 5.25)],
        "late": [LateLine("A-009", 168.0, 120.5, 24.0), LateLine("A-010", 168.0, 200.0, 48.0)],
        "extrapolations": [
            prediction(),
            prediction(model="power law", value=None, bound=None, reason="too few read points"),
        ],
    }
    return ParameterFigures(**(usual | changes))


def declared(passes: str = "go on", sequences: str = "go on", **changes: Any) -> Figures:
    """Everything a campaign may declare, and everything that may be measured."""
    mechanisms = [
        mechanism("charge-loss", 1, fitted=fitted(), sequential=sequence(sequences)),
        gate_oxide(1, careful=careful(), pass_line=passing(passes), sequential=sequence(sequences)),
    ]
    usual: dict[str, Any] = {
        "mechanisms": mechanisms,
        "drift": [drifting()],
        "cautions": ["chips: 2 of at least 3 lots; a doubt"],
    }
    return troubled(**(usual | changes))
