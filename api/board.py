"""The board: what each row says, and which row comes first."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from datetime import datetime

from pydantic import BaseModel, Field

from api.liveness import clock_speed, is_heard, is_live, unkept
from api.pull_downs import PullGlance, glance
from api.quantities import STORED, Pressure, Quantities, moment
from api.sentences import TextFigure, find
from api.words import PHASES, PRIORITIES, VALVES, VERDICTS, Mark, cause_in_words, percent
from model.alert import AlertState
from model.clock import US, Clock, to_datetime
from model.equipment import Role
from model.job import JobState
from model.judgement import LEAK_SUSPECTED, PhaseKind, Verdict, leak_probability
from model.pull_down import State
from model.reading import Quantity, Valve
from store import board as stored
from store.board import BoardRow, Channel
from store.database import Connection
from store.series import Window, trends

LOW_BATTERY = 0.25
SHORTEST_TREND_S, LONGEST_TREND_S = 3600.0, 12 * 3600.0
TREND_BUCKETS = 60
TREND_WIDTH, TREND_HEIGHT = 120.0, 30.0
TREND_LOW_PA, TREND_HIGH_PA = 5.0, 5000.0
"""Three decades around targets and limits, the same for every row, so that rows compare."""
TREND_KEPT_S = 5.0


class Figure(BaseModel):
    """The pressure that stands for a job."""

    pressure: Pressure = Field(description="As stored, in full.")
    accuracy: float = Field(
        description="Of the gauge: share of the reading. Pages show steps that it supports."
    )
    time: datetime = Field(description="When it was read.")
    live: bool = Field(description="False: too old to be called present.")
    overrange: bool = Field(description="The gauge reports that it is at or above the top of its range.")
    gauge: str


class VerdictView(Mark, frozen=True):
    """Verdict of the newest hold, with the estimated cause."""

    hold_test: int
    cause: str | None
    text: str


class BatteryView(BaseModel):
    """Weakest battery of a job's instruments."""

    text: str
    volts: float | None = Field(description="Where no share is reported.")
    low: bool


class TrendView(BaseModel):
    """A small curve on a log scale: path data for a drawing of 120 × 30."""

    path: str
    target_y: float
    limit_y: float | None
    hours: float


class AlertView(BaseModel):
    """The most pressing live alert."""

    id: int
    priority: Mark
    active: bool = Field(description="Still so; else it is over and nobody has seen it.")
    acknowledged: bool
    text: str
    figures: list[TextFigure] = Field(description="The figures in `text`, in SI and in their order.")
    action: str
    more: int = Field(description="How many further live alerts the job has.")


class RowView(BaseModel):
    """A row of the board."""

    job: int
    title: str
    site: str
    time_zone: str
    circuit: str | None
    crew: str | None
    walk_up: bool
    order: list[float] = Field(description="Sort rows by this, smallest first: the most urgent on top.")
    state: Mark
    phase: str | None
    since: datetime | None = Field(description="Since when the phase lasts.")
    hold_until: datetime | None = Field(description="When the running hold will have its full length.")
    pull_down: PullGlance | None = Field(description="What is said of the pull-down that runs.")
    figure: Figure | None
    target: Pressure = Field(description="What the procedure asks to be reached.")
    limit: Pressure | None = Field(description="Permitted at the end of the newest hold, else of any.")
    verdict: VerdictView | None
    valve: Mark | None
    pump: bool | None
    battery: BatteryView | None
    arrived: datetime | None = Field(description="When an instrument of the job was last heard of.")
    heard: bool = Field(description="False: silent for longer than its rhythm allows.")
    trend: TrendView | None
    alert: AlertView | None

    @property
    def marks(self) -> tuple[float | None, ...]:
        """What its pressure is not rounded onto or past."""
        return (self.target.value, None if self.limit is None else self.limit.value)


_STATES: dict[str, tuple[float, Mark]] = {
    key: (rank, Mark(key=key, word=word, shape=shape, tone=tone))
    for rank, key, word, shape, tone in (
        (0, "failed", "Failed", "fail", "bad"),
        (1, "inconclusive", "Inconclusive", "unsure", "warn"),
        (2, "silent-in-hold", "Silent in hold", "silent", "warn"),
        (3, "not-judged", "Not judged", "unsure", "warn"),
        (4, "silent", "Silent", "silent", "warn"),
        (5, "awaiting-readings", "Awaiting readings", "await", "mute"),
        (6, "at-target", "At target", "target", "busy"),
        (7, "holding", "Holding", "hold", "busy"),
        (8, "pulling-down", "Pulling down", "pull", "busy"),
        (9, "broken", "Vacuum broken", "broken", "calm"),
        (10, "before", "Before pull-down", "rest", "calm"),
        (11, "no-readings", "No readings yet", "rest", "mute"),
        (12, "unproven", "Ended unproven", "unproven", "warn"),
        (13, "passed", "Passed", "pass", "good"),
        (14, "finished", "Finished", "pass", "good"),
        (15, "planned", "Planned", "rest", "mute"),
        (16, "closed", "Closed", "rest", "mute"),
    )
}


def state_key(row: BoardRow, heard: bool) -> str:
    """Which of the states of the board a job is in."""
    if row.state in (JobState.PLANNED, JobState.CLOSED):
        return row.state.value
    if row.parked:
        return "not-judged"
    if row.phase is PhaseKind.HOLD and row.hold is not None:
        return _hold_key(row, row.hold.verdict, heard)
    if row.state is JobState.FINISHED:
        return "finished"
    if row.state is JobState.UNPROVEN:
        return "unproven"
    if row.gauge is None or (row.phase is None and row.gauge.arrived_us is None):
        return "no-readings"
    if not heard:
        return "silent"
    if row.phase is PhaseKind.PULL_DOWN:
        reached = row.target_reached_us is not None and row.target_reached_us >= (row.phase_start_us or 0)
        return "at-target" if reached else "pulling-down"
    return "broken" if row.phase is PhaseKind.BROKEN else "before"


def _hold_key(row: BoardRow, verdict: Verdict, heard: bool) -> str:
    if verdict is Verdict.RUNNING:
        return "holding" if heard else "silent-in-hold"
    if verdict is Verdict.PASSED and row.state is JobState.FINISHED:
        return "finished"
    return verdict.value


def view(
    row: BoardRow, now_us: int, speed: float, trend: TrendView | None, unit: Quantities = STORED
) -> RowView:
    """What the board says of a job."""
    heard = is_heard(row, now_us, speed)
    rank, state = _STATES[state_key(row, heard)]
    holding = row.hold is not None and row.hold.verdict is Verdict.RUNNING and row.phase is PhaseKind.HOLD
    return RowView(
        job=row.job_id,
        title=row.title,
        site=row.site,
        time_zone=row.time_zone,
        circuit=row.circuit,
        crew=row.crew,
        walk_up=row.walk_up,
        order=[_alert_rank(row), rank, (row.phase_start_us or row.opened_us) / US],
        state=state,
        phase=_phase(row),
        since=None if row.phase_end_us is not None else moment(row.phase_start_us),
        hold_until=moment(row.hold.planned_end_us) if holding and row.hold else None,
        pull_down=_pull_down(row, state.key, now_us, speed),
        figure=_figure(row, now_us, speed, unit),
        target=unit(row.target_pa),
        limit=unit.or_none(_limit_pa(row)),
        verdict=_verdict(row, unit),
        valve=_valve(row.channels),
        pump=_pump(row.channels),
        battery=_battery(row.channels),
        arrived=moment(max((c.arrived_us for c in row.channels if c.arrived_us is not None), default=None)),
        heard=heard,
        trend=trend,
        alert=_alert(row, unit),
    )


def _pull_down(row: BoardRow, key: str, now_us: int, speed: float) -> PullGlance | None:
    if row.pull is None or key not in ("pulling-down", "silent") or row.pull.found.state is State.REACHED:
        return None
    return glance(row.pull, unkept(row, now_us, speed))


def _limit_pa(row: BoardRow) -> float | None:
    of_hold = None if row.hold is None else row.hold.limit_pa
    return row.limit_pa if of_hold is None else of_hold


def _phase(row: BoardRow) -> str | None:
    if row.phase is None:
        return None
    return PHASES[row.phase] + (" (over)" if row.phase_end_us is not None else "")


def _alert_rank(row: BoardRow) -> float:
    """Alerts that nobody has taken come first by priority, taken ones after, then all other jobs."""
    if row.alert is None or not row.alert.state.active:
        return 9.0
    return row.alert.priority.rank + (4.0 if row.alert.state.acknowledged else 0.0)


def _figure(row: BoardRow, now_us: int, speed: float, unit: Quantities) -> Figure | None:
    gauge = row.gauge
    last = gauge.last.get(Quantity.PRESSURE) if gauge else None
    if gauge is None or last is None:
        return None
    over = gauge.last.get(Quantity.OVERRANGE)
    return Figure(
        pressure=unit(last.value),
        accuracy=gauge.accuracy,
        time=to_datetime(last.time_us),
        live=is_live(gauge, last, now_us, speed),
        overrange=over is not None and over.value > 0 and over.time_us >= last.time_us,
        gauge=f"{gauge.gateway}/{gauge.name}",
    )


def _verdict(row: BoardRow, unit: Quantities) -> VerdictView | None:
    hold = row.hold
    if hold is None or hold.verdict is Verdict.RUNNING:
        return None
    cause = None
    if hold.cause is not None and hold.verdict is Verdict.FAILED:
        name, share = cause_in_words(hold.cause, hold.probabilities)
        cause = name if share is None else f"{name} {percent(share)}"
    elif hold.verdict is Verdict.PASSED and leak_probability(hold.probabilities) >= LEAK_SUSPECTED:
        cause = f"leak suspected {percent(leak_probability(hold.probabilities))}"
    text = unit.sentence(hold.text)
    return VerdictView(**VERDICTS[hold.verdict].model_dump(), hold_test=hold.id, cause=cause, text=text)


def _valve(channels: Sequence[Channel]) -> Mark | None:
    reports = [c.last[Quantity.VALVE] for c in channels if Quantity.VALVE in c.last]
    if not reports:
        return None
    newest = max(reports, key=lambda last: last.time_us)
    return VALVES[Valve(int(newest.value))]


def _pump(channels: Sequence[Channel]) -> bool | None:
    reports = [c.last[Quantity.PUMP] for c in channels if Quantity.PUMP in c.last]
    return max(reports, key=lambda last: last.time_us).value > 0 if reports else None


def _battery(channels: Sequence[Channel]) -> BatteryView | None:
    shares = [c.last[Quantity.BATTERY_SHARE].value for c in channels if Quantity.BATTERY_SHARE in c.last]
    if shares:
        return BatteryView(text=percent(min(shares)), volts=None, low=min(shares) < LOW_BATTERY)
    volts = [c.last[Quantity.BATTERY_VOLTS].value for c in channels if Quantity.BATTERY_VOLTS in c.last]
    return BatteryView(text=f"{min(volts):.2f}\u202fV", volts=min(volts), low=False) if volts else None


def _alert(row: BoardRow, unit: Quantities) -> AlertView | None:
    if row.alert is None:
        return None
    told = find(row.alert.text, settings=(row.target_pa, row.limit_pa, _limit_pa(row)))
    return AlertView(
        id=row.alert.id,
        priority=PRIORITIES[row.alert.priority],
        active=row.alert.state.active,
        acknowledged=row.alert.state is AlertState.ACTIVE_ACKNOWLEDGED,
        text=unit.sentence(row.alert.text, told),
        figures=told,
        action=unit.sentence(row.alert.action),
        more=row.alerts - 1,
    )


def trend_y(pressure_pa: float) -> float:
    """Height of a pressure in the small curve, 0 on top."""
    share = math.log(max(pressure_pa, TREND_LOW_PA) / TREND_LOW_PA) / math.log(TREND_HIGH_PA / TREND_LOW_PA)
    return round(TREND_HEIGHT * (1.0 - min(share, 1.0)), 1)


def trend_path(points: Sequence[tuple[int, float, float]]) -> str:
    """SVG path through the middles of (bucket, low, high); a missing bucket lifts the pen."""
    parts: list[str] = []
    before: int | None = None
    for bucket, low, high in points:
        x = round((bucket + 0.5) * TREND_WIDTH / TREND_BUCKETS, 1)
        y = trend_y(math.sqrt(max(low, 0.01) * max(high, 0.01)))
        # A point after a gap gets a stroke of its own, else it would not be seen.
        parts.append(f"M{x} {y}h.5" if before is None or bucket - before > 1 else f"L{x} {y}")
        before = bucket
    return "".join(parts)


class BoardReader:
    """Reads the board; keeps trends for a moment, because they change by the minute only."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._trends: dict[int, TrendView] = {}
        self._kept_until = 0.0

    def read(self, conn: Connection, unit: Quantities = STORED) -> list[RowView]:
        """All rows, the most urgent first."""
        rows = stored.rows(conn)
        now_us = self._clock.now_us()
        if time.monotonic() >= self._kept_until:
            self._trends = read_trends(conn, rows, now_us)
            self._kept_until = time.monotonic() + TREND_KEPT_S
        speed = clock_speed(self._clock)
        views = [view(row, now_us, speed, self._trends.get(row.job_id), unit) for row in rows]
        return sorted(views, key=lambda row: row.order)


def read_trends(conn: Connection, rows: Sequence[BoardRow], now_us: int) -> dict[int, TrendView]:
    """The small curve of each job whose gauge has rollups."""
    windows: dict[int, tuple[BoardRow, Window, float]] = {}
    for row in rows:
        gauge = row.gauge
        if gauge is not None and gauge.role is Role.GAUGE:
            length_s = min(max((now_us - row.opened_us) / US, SHORTEST_TREND_S), LONGEST_TREND_S)
            window = Window(to_datetime(now_us - int(length_s * US)), to_datetime(now_us))
            windows[gauge.instrument_id] = (row, window, length_s)
    found = trends(conn, {gauge: window for gauge, (_, window, _) in windows.items()}, TREND_BUCKETS)
    return {
        windows[gauge][0].job_id: TrendView(
            path=trend_path(points),
            target_y=trend_y(windows[gauge][0].target_pa),
            limit_y=None if windows[gauge][0].limit_pa is None else trend_y(windows[gauge][0].limit_pa or 0),
            hours=round(windows[gauge][2] / 3600, 1),
        )
        for gauge, points in found.items()
    }
