"""A judged log in words, for a terminal."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from analytics.core.axis import clock_text
from analytics.core.cause import WITH_OR_WITHOUT
from analytics.core.figures import duration_text, pressure_text
from analytics.core.pull_log import summary
from model.judgement import Cause, named_together
from physics.leaks import to_mbar_l_s

_CAUSES = {
    "tight": "tight and dry",
    "leak": "a leak",
    "moisture": "moisture",
    "leak+moisture": "a leak and moisture",
    "outgassing": "gas from oil and walls",
    "unclear": "unclear",
}
NO_HOLD = (
    "No hold was found: the pressure never left its lowest as it does after closing a valve. "
    "If there was one, say when with --isolated-at, or --whole-file-is-hold."
)


def describe(result: dict[str, Any], picture: str = "") -> str:
    """Say what `analytics.core.diagnose.judge_file` found, in a dozen lines of plain text, with a picture."""
    hold = result["hold"]
    lines = [str(result["file"]), *_about_reading(result)]
    lines += ["", f"  {NO_HOLD if hold is None else hold['text']}"]
    if hold is not None:
        lines += [f"  {remark}" for remark in hold["remarks"]]
        call = hold["early_call"]
        if call["at"] is not None and call["at"] != hold["decided_at"]:
            at = datetime.fromisoformat(call["at"])
            lines.append(
                f"  From the readings up to {at:%H:%M:%S} alone a fail was to be expected "
                f"({100 * min(call['probability'], 0.999):.1f} %, an estimate)."
            )
    if picture:
        lines += ["", picture]
    lines += ["", *_phases(result)]
    for row in result["pull_downs"]:
        lines += ["", f"  {summary(row)}", *(f"  {sentence}" for sentence in row["evidence"])]
        lines += [f"  {row['advice']}"] if row["advice"] else []
    if hold is None:
        return "\n".join(lines)
    lines += ["", f"  Likely cause: {_cause(hold)} ({_shares(hold['probabilities'])})."]
    lines += [f"  {sentence}" for sentence in hold["evidence"]]
    lines += _rates(hold)
    if hold["advice"] is not None:
        lines += ["", f"  {hold['advice']['line']}", *(f"  - {step}" for step in hold["advice"]["steps"])]
        lines.append(f"  {hold['advice']['caution']}")
    return "\n".join(lines)


def _cause(hold: dict[str, Any]) -> str:
    together = named_together(hold["probabilities"]) if hold["cause"] == Cause.UNCLEAR else None
    return _CAUSES[hold["cause"]] if together is None else WITH_OR_WITHOUT[together[0]]


def _phases(result: dict[str, Any]) -> list[str]:
    """Phases with their lengths; of several holds each with its verdict, the one that is told marked."""
    lines = []
    verdicts = {hold["start"]: hold for hold in result["holds"]}
    for phase in result["phases"]:
        start, end = (datetime.fromisoformat(phase[key]) for key in ("start", "end"))
        length = duration_text((end - start).total_seconds())
        line = f"  {phase['kind']:<14} {clock_text(phase['start'], result['calendar'])}  {length}"
        hold = verdicts.get(phase["start"]) if phase["kind"] == "hold" else None
        if hold is not None and len(verdicts) > 1:
            line += f"  {hold['verdict']}" + (", told here" if hold is result["hold"] else "")
        lines.append(line)
    if result["breaks"]:
        plural = "breaks" if result["breaks"] > 1 else "break"
        lines.append(f"  {result['breaks']} {plural}: gas was let in, and it was pumped down anew.")
    return lines


def _about_reading(result: dict[str, Any]) -> list[str]:
    """What could not be read, or was read by assumption."""
    lines = []
    unread = result["unread_rows"]
    if unread:
        rows = "1 row" if unread == 1 else f"{unread} rows"
        lines.append(f"  {rows} could not be read and did not count.")
    if result["unit_assumed"] is not None:
        lines.append(
            f"  No unit of pressure was named: {result['unit_assumed']} assumed. Name another with --unit."
        )
    return [*lines, *(f"  {remark}" for remark in result["remarks"])]


def _shares(probabilities: dict[str, float]) -> str:
    ordered = sorted(probabilities.items(), key=lambda item: -item[1])
    return ", ".join(f"{cause} {100 * share:.0f} %" for cause, share in ordered if share >= 0.05)


def _rates(hold: dict[str, Any]) -> list[str]:
    lines = []
    rate = hold["leak_rate_pa_m3_per_s"]
    rise = hold["rise_pa_per_s"]["leak"]
    if rate is not None:
        value, low, high = rate["value"], rate["low"], rate["high"]
        lines.append(
            f"  Steady part of the rise: {value:.1e} Pa·m³/s, 90 % between {low:.1e} and {high:.1e} "
            f"({to_mbar_l_s(value):.1e} mbar·l/s, {to_mbar_l_s(low):.1e} to {to_mbar_l_s(high):.1e})."
        )
    elif rise is not None:
        lines.append(
            f"  Steady part of the rise: {rise['value']:.1e} Pa/s, 90 % between {rise['low']:.1e} and "
            f"{rise['high']:.1e}; with the volume it would be a leak rate."
        )
    moisture = hold["moisture"]
    if moisture["vapour_pa"] is not None:
        grams = "" if moisture["vapour_g"] is None else f", {moisture['vapour_g']:.2g} g of it"
        lines.append(
            f"  Vapour: about {pressure_text(moisture['vapour_pa'])}{grams}; the liquid or bound water "
            "behind it is not known and can be thousands of times more."
        )
        celsius = moisture["equilibrium_temperature_c"]
        if celsius is not None:
            # An int, so that a little below freezing is no "-0".
            lines.append(
                f"  If all of it were water, it would be in balance with water or ice at {round(celsius)} °C."
            )
    return lines
