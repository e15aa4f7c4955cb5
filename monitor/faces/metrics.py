"""The figures as Prometheus metrics: a projection made at scrape time, in base units, with no state of its own.

Names follow the Prometheus conventions: prefix, base unit (seconds, ratios, celsius, volts), ``_total`` for what
only grows. There are no series per chip: a lab with thousands of chips must not drown its Prometheus.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from monitor.faces.state import Health
from monitor.figures import Figures
from monitor.figures.document import BoardFigures
from monitor.rules.alerts import Alert
from shared.errors import Refusal

S_PER_H = 3600.0
_FIT_PER_S = 1e9 * S_PER_H  # 1 FIT is one failure per 1e9 h, so this many FIT are one failure per second
CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"


def exposition(figures: Figures, alerts: Iterable[Alert], health: Health) -> bytes:
    """The text exposition of one set of figures, and of how the service is."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Projection(figures, list(alerts), health))
    return generate_latest(registry)


class _Projection(Collector):
    def __init__(self, figures: Figures, alerts: list[Alert], health: Health) -> None:
        self._figures = figures
        self._alerts = alerts
        self._health = health

    def collect(self) -> Iterator[Metric]:
        figures = self._figures
        yield from _service(figures, self._alerts, self._health)
        yield from _chips(figures)
        yield from _exposure(figures)
        yield from _claims(figures)
        yield from _coverage(figures)
        yield from _boards(figures.boards)
        yield from _intake(figures)


def _gauge(name: str, help_text: str, value: float | None) -> Iterator[Metric]:
    metric = GaugeMetricFamily(name, help_text)
    if value is not None:
        metric.add_metric([], value)
    yield metric


def _counter(name: str, help_text: str, value: float) -> Iterator[Metric]:
    yield CounterMetricFamily(name, help_text, value=value)


def _service(figures: Figures, alerts: list[Alert], health: Health) -> Iterator[Metric]:
    yield from _gauge(
        "lifebound_broker_connected",
        "1 while the broker has granted the subscriptions.",
        health.broker is None,
    )
    yield from _gauge(
        "lifebound_journal_writable", "1 while the journal takes what arrives.", health.storage is None
    )
    yield from _gauge(
        "lifebound_intake_unacknowledged",
        "Messages in hand that are not on disk yet; the broker keeps them until they are.",
        health.unacknowledged,
    )
    yield from _counter(
        "lifebound_clock_steps",
        "How often since the start the wall clock of this machine was set by more than 2 s; hours do not rest on it.",
        health.clock_steps,
    )
    yield from _gauge(
        "lifebound_figures_timestamp_seconds",
        "Receive time of the last journal entry that these figures rest on.",
        None if figures.as_of_ms is None else figures.as_of_ms / 1000,
    )
    opened = GaugeMetricFamily(
        "lifebound_alerts_open", "Alerts that have begun and not cleared.", labels=["kind"]
    )
    for kind in sorted({alert.kind for alert in alerts}):
        opened.add_metric([kind], sum(a.kind == kind and a.cleared_ms is None for a in alerts))
    yield opened


def _chips(figures: Figures) -> Iterator[Metric]:
    chips = figures.chips
    metric = GaugeMetricFamily(
        "lifebound_chips", "Chips by state; the campaign loads all but strangers.", labels=["state"]
    )
    for state in ("at_risk", "failed", "not_relevant", "strangers"):
        metric.add_metric([state], getattr(chips, state))
    yield metric
    yield from _gauge(
        "lifebound_chips_reading", "Chips at risk that the last interval credited.", chips.reading
    )
    incidents = len(figures.incidents)
    yield from _gauge("lifebound_equipment_incidents", "Suspected equipment incidents.", incidents)


def _exposure(figures: Figures) -> Iterator[Metric]:
    exposure, reads = figures.exposure, figures.reads
    yield from _counter(
        "lifebound_credited_chip_seconds",
        "Chip-time at stress that is credited.",
        exposure.credited_h * S_PER_H,
    )
    metric = CounterMetricFamily(
        "lifebound_uncredited_chip_seconds", "Chip-time that is not credited, by reason.", labels=["reason"]
    )
    for reason in ("counter", "unwitnessed", "temperature", "supply", "not_reading"):
        metric.add_metric([reason], getattr(exposure.uncredited_h, reason) * S_PER_H)
    yield metric
    yield from _counter("lifebound_reads", "Reads of chips that had not failed.", reads.total)
    yield from _counter("lifebound_credited_reads", "Reads in credited intervals.", reads.credited)
    yield from _counter("lifebound_read_errors", "Failed reads.", reads.errors)
    yield from _counter(
        "lifebound_read_errors_at_risk",
        "Failed reads of chips at risk, the failing interval included.",
        reads.errors_at_risk,
    )


def _claims(figures: Figures) -> Iterator[Metric]:
    yield from _rates(figures)
    per_read = GaugeMetricFamily(
        "lifebound_read_error_probability_upper_ratio",
        "Upper confidence bound on the probability that a read fails, for one look, reads taken as independent.",
        labels=["confidence"],
    )
    anytime = GaugeMetricFamily(
        "lifebound_read_error_probability_anytime_upper_ratio",
        "Upper confidence bound on the probability that a read fails that holds however often one looks.",
        labels=["confidence"],
    )
    for bound in figures.read_error:
        _add(per_read, [str(bound.confidence)], bound.per_read_upper)
        _add(anytime, [str(bound.confidence)], bound.per_read_upper_anytime)
    yield from (per_read, anytime)
    yield from _careful(figures)
    yield from _target(figures)
    yield from _plans(figures)
    yield from _gauge(
        "lifebound_lot_homogeneity_p_ratio",
        "p-value of the test whether the lots may be pooled.",
        figures.pooling.p_value,
    )


def _rates(figures: Figures) -> Iterator[Metric]:
    """Bounds after disposition, and with every failed chip counted in every mechanism."""
    labels = ["mechanism", "failures", "confidence"]
    upper = GaugeMetricFamily(
        "lifebound_failure_rate_upper_per_second",
        "Upper confidence bound on the failure rate in use, for one look at a time fixed in advance.",
        labels=labels,
    )
    lower = GaugeMetricFamily(
        "lifebound_failure_rate_lower_per_second",
        "Lower confidence bound on the failure rate in use, for one look at a time fixed in advance.",
        labels=labels,
    )
    anytime = GaugeMetricFamily(
        "lifebound_failure_rate_anytime_upper_per_second",
        "Upper confidence bound on the failure rate in use that holds however often one looks.",
        labels=labels,
    )
    counts = GaugeMetricFamily(
        "lifebound_mechanism_failures",
        "Failures that count for a mechanism.",
        labels=["mechanism", "failures"],
    )
    hours = CounterMetricFamily(
        "lifebound_equivalent_chip_seconds", "Credited chip-time as time in use.", labels=["mechanism"]
    )
    for m in figures.mechanisms:
        hours.add_metric([m.name], m.equivalent_h * S_PER_H)
        for which, view in (("after_disposition", m), ("all", m.all)):
            counts.add_metric([m.name, which], view.failures)
            for bound in view.bounds:
                _add_rate(upper, [m.name, which, str(bound.confidence)], bound.fit_upper)
                _add_rate(lower, [m.name, which, str(bound.confidence)], bound.fit_lower)
            for look in view.anytime:
                _add_rate(anytime, [m.name, which, str(look.confidence)], look.fit_upper)
    yield from (hours, counts, upper, lower, anytime)


def _careful(figures: Figures) -> Iterator[Metric]:
    """Bounds that carry the stated uncertainty of an activation energy, and bounds on the total rate."""
    careful = GaugeMetricFamily(
        "lifebound_failure_rate_careful_upper_per_second",
        "Upper confidence bound with the worst of what is stated of the activation energy; it is the one claimed.",
        labels=["mechanism", "confidence", "bound"],
    )
    total = GaugeMetricFamily(
        "lifebound_total_failure_rate_upper_per_second",
        "Upper confidence bound on the failure rate over all mechanisms together.",
        labels=["confidence", "bound"],
    )
    for m in figures.mechanisms:
        for b in m.careful.bounds if m.careful else ():
            _add_rate(careful, [m.name, str(b.confidence), "one_look"], b.fit_upper)
            _add_rate(careful, [m.name, str(b.confidence), "anytime"], b.fit_upper_anytime)
    for t in figures.total:
        _add_rate(total, [str(t.confidence), "one_look"], t.weighted)
        _add_rate(total, [str(t.confidence), "anytime"], t.anytime)
    yield from (careful, total)


def _plans(figures: Figures) -> Iterator[Metric]:
    """Verdicts of the plans that the campaign declares, and the chance of meeting the target."""
    verdict = GaugeMetricFamily(
        "lifebound_plan_verdict",
        "1 for the verdict that stands of a declared plan, 0 for the others.",
        labels=["mechanism", "plan", "verdict"],
    )
    for m in figures.mechanisms:
        for name, plan, verdicts in (
            ("pass_line", m.pass_line, ("passed", "go on", "failed")),
            ("sequential", m.sequential, ("accept", "go on", "reject")),
        ):
            for word in verdicts if plan is not None else ():
                verdict.add_metric([m.name, name, word], plan is not None and plan.verdict == word)
    chance = GaugeMetricFamily(
        "lifebound_target_forecast_ratio",
        "Chance of meeting the target by the planned end: a forecast, never a claim.",
        labels=["bound"],
    )
    if figures.forecast is not None:
        _add(chance, ["anytime"], figures.forecast.chance_anytime)
        _add(chance, ["one_look"], figures.forecast.chance_fixed)
    yield from (verdict, chance)


def _target(figures: Figures) -> Iterator[Metric]:
    """Each mechanism for itself; the one that meets the target last decides."""
    target = figures.target
    met = GaugeMetricFamily(
        "lifebound_target_met", "1 when the bound of this kind meets the target.", labels=["bound"]
    )
    to_go = GaugeMetricFamily(
        "lifebound_target_stress_seconds_to_go",
        "Stress still to go, every chip at risk credited, until the bound of this kind meets the target.",
        labels=["bound", "further_failures"],
    )
    for kind, way in (("anytime", target), ("one_look", target.fixed)):
        met.add_metric([kind], way.met)
        for more, hours in (("0", way.hours_to_go), ("1", way.hours_to_go_one_more)):
            _add(to_go, [kind, more], None if hours is None else hours * S_PER_H)
    yield from (met, to_go)
    yield from _gauge("lifebound_target_failure_rate_per_second", "The target.", target.fit / _FIT_PER_S)


def _add(metric: GaugeMetricFamily, labels: list[str], value: float | None) -> None:
    if value is not None:
        metric.add_metric(labels, value)


def _add_rate(metric: GaugeMetricFamily, labels: list[str], fit: float | None) -> None:
    _add(metric, labels, None if fit is None else fit / _FIT_PER_S)


def _coverage(figures: Figures) -> Iterator[Metric]:
    reads = GaugeMetricFamily(
        "lifebound_read_coverage_ratio", "Credited reads over the reads of one field life.", labels=["chip"]
    )
    life = GaugeMetricFamily(
        "lifebound_life_coverage_ratio",
        "Equivalent time credited over one field life.",
        labels=["mechanism", "chip"],
    )
    word = GaugeMetricFamily(
        "lifebound_word_read_coverage_ratio",
        "Credited reads of one word over the reads of one field life, were all of them on it.",
        labels=["chip"],
    )
    for which in ("least", "median", "most", "fleet"):
        if figures.coverage.reads_word is not None:
            word.add_metric([which], getattr(figures.coverage.reads_word, which))
        reads.add_metric([which], getattr(figures.coverage.reads, which))
        for line in figures.coverage.life:
            life.add_metric([line.mechanism, which], getattr(line, which))
    yield from (reads, word, life)


def _boards(boards: list[BoardFigures]) -> Iterator[Metric]:
    labels = ["rack", "board"]
    temperature = GaugeMetricFamily(
        "lifebound_board_temperature_celsius", "Measured at the board.", labels=labels
    )
    supply = GaugeMetricFamily(
        "lifebound_board_supply_volts", "Measured stress supply of the board.", labels=labels
    )
    stressing = GaugeMetricFamily(
        "lifebound_board_stressing",
        "1 while every chip at risk on the board is stressed and read.",
        labels=labels,
    )
    boots = CounterMetricFamily(
        "lifebound_board_boots", "Boots seen of the board's controller.", labels=labels
    )
    received = GaugeMetricFamily(
        "lifebound_board_last_receive_timestamp_seconds",
        "When the last tally of the board came in.",
        labels=labels,
    )
    for board in boards:
        place = [board.rack, str(board.board)]
        stressing.add_metric(place, board.state == "stressing")
        boots.add_metric(place, board.boots)
        for metric, value in ((temperature, board.temp_c), (supply, board.supply_v)):
            if value is not None:
                metric.add_metric(place, value)
        if board.last_recv_ms is not None:
            received.add_metric(place, board.last_recv_ms / 1000)
    yield from (temperature, supply, stressing, boots, received)


def _intake(figures: Figures) -> Iterator[Metric]:
    intake = figures.intake
    for name, help_text in (
        ("accepted", "Messages accepted into the journal."),
        ("duplicates", "Messages refused because they came before."),
        ("conflicts", "Messages refused because they contradict an earlier one of the same identity."),
        ("late", "Tallies that came after a younger one was folded; never credited."),
        ("gaps", "Gaps in the sequence of tallies that were given up."),
        ("strangers", "Messages of places that the campaign does not name."),
        ("disagreements", "Chips of which error messages and counters tell different stories."),
    ):
        yield from _counter(f"lifebound_intake_{name}", help_text, getattr(intake, name))
    yield from _counter(  # Prometheus's conventions keep the word "counter" out of names
        "lifebound_intake_faulty_tallies",
        "Tallies whose counters or times contradict the one before (counter faults).",
        intake.counter_faults,
    )
    invalid = CounterMetricFamily(
        "lifebound_intake_invalid", "Messages refused because they break the contract.", labels=["reason"]
    )
    for reason in Refusal:  # from the start, so that the first one is seen as an increase
        invalid.add_metric([reason], intake.invalid_reasons.get(reason, 0))
    untold = intake.invalid - sum(intake.invalid_reasons.get(reason, 0) for reason in Refusal)
    if untold > 0:  # of a run from elsewhere that does not say why
        invalid.add_metric(["unknown"], untold)
    yield invalid
    refused = GaugeMetricFamily(
        "lifebound_rack_refused_messages_ratio",
        "Refused messages among the latest of the rack (at most 20).",
        labels=["rack"],
    )
    for rack in figures.racks:
        if rack.judged:
            refused.add_metric([rack.rack], rack.refused / rack.judged)
    yield refused
    yield from _gauge("lifebound_intake_waiting", "Tallies that wait for an earlier one.", intake.waiting)
