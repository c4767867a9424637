"""A judged log in words, for a terminal."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from analytics.core.figures import duration_text, pressure_text

_CAUSES = {
    "tight": "tight and dry",
    "leak": "a leak",
    "moisture": "moisture",
    "leak+moisture": "a leak and moisture",
    "outgassing": "gas from oil and walls",
    "unclear": "unclear",
}
_BAR = 24


def describe(result: dict[str, Any]) -> str:
    """Say what `analytics.core.diagnose.diagnose_file` found, in a dozen lines of plain text."""
    lines = [str(result["file"]), *_about_reading(result)]
    for phase in result["phases"]:
        start, end = (datetime.fromisoformat(phase[key]) for key in ("start", "end"))
        length = duration_text((end - start).total_seconds())
        lines.append(f"  {phase['kind']:<14} {start:%Y-%m-%d %H:%M:%S}  {length}")
    hold = result["hold"]
    if hold is None:
        lines.append(
            "  No hold was found: the pressure never left its lowest as it does after closing a valve. "
            "If there was one, say when with --isolated-at, or --whole-file-is-hold."
        )
        return "\n".join(lines)
    lines += ["", f"  {hold['text']}", *(f"  {remark}" for remark in hold["remarks"])]
    picture = _picture(hold["start_pa"], hold["last_pa"], hold["limit_pa"])
    if picture:
        lines.append(picture)
    lines += ["", f"  Likely cause: {_CAUSES[hold['cause']]} ({_shares(hold['probabilities'])})."]
    lines += [f"  {sentence}" for sentence in hold["evidence"]]
    lines += _rates(hold)
    lines.append(f"  {hold['advice']}")
    return "\n".join(lines)


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
    return lines


def _shares(probabilities: dict[str, float]) -> str:
    ordered = sorted(probabilities.items(), key=lambda item: -item[1])
    return ", ".join(f"{cause} {100 * share:.0f} %" for cause, share in ordered if share >= 0.05)


def _rates(hold: dict[str, Any]) -> list[str]:
    lines = []
    rate = hold["leak_rate_pa_m3_per_s"]
    rise = hold["rise_pa_per_s"]["leak"]
    if rate is not None:
        lines.append(
            f"  Steady part of the rise: {rate['value']:.1e} Pa·m³/s, 90 % between {rate['low']:.1e} and "
            f"{rate['high']:.1e}."
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
    return lines


def _picture(start_pa: float | None, last_pa: float | None, limit_pa: float | None) -> str | None:
    """Start, end and limit as bars of one scale."""
    if start_pa is None or last_pa is None or limit_pa is None:
        return None
    top = max(start_pa, last_pa, limit_pa)
    rows = (("start", start_pa), ("last", last_pa), ("permitted", limit_pa))
    return "\n".join(
        f"  {name:<9} {'█' * max(round(_BAR * max(value, 0.0) / top), 0):<{_BAR}} {pressure_text(value)}"
        for name, value in rows
    )
