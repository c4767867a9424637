"""What is said of a pull-down, in words: the time, the speed, why it stands, what to do."""

from __future__ import annotations

from collections.abc import Callable

from analytics.core.figures import duration_text, pressure_text
from model.pull_down import PullDown, Speed, Stall, Standing, State, Until

ISOLATE = (
    "Isolate for five minutes to tell: if the pressure stays, the pump is at its limit or the gauge reads "
    "high; if it rises straight, a leak; if it rises and bends over, water or gas from oil and walls."
)
NEVER_OPEN = "Close the valve before the pump is stopped; never open it to a stopped pump."

HOSE_DECIDES = 0.4
"""Half of what is expected of a pump without a hose (`analytics.core.pull_model.PUMP_SHARE`). Own choice."""

_PUMP_LIMIT_PA = 400.0
"""Above this a pump that runs at all is an unlikely reason. Own choice."""


def sentences(pull: PullDown, target_pa: float) -> tuple[str, ...]:
    """Evidence of a pull-down in sentences, the time to the target first.

    Parameters
    ----------
    pull : PullDown
        What was found.
    target_pa : float
        Target [Pa].
    """
    if pull.state is State.EARLY:
        return ("Too early to say when the target will be reached.",)
    if pull.state is State.REACHED:
        return (
            f"At or below the target of {pressure_text(target_pa)}; not finished before a hold has passed.",
        )
    said = [] if pull.until is None else [_time(pull.until, pull.stall, target_pa)]
    if pull.now is not None:
        said.append(speed(pull.now))
    return (*said, *evidence(pull))


def evidence(pull: PullDown) -> tuple[str, ...]:
    """What comes in, and why the pressure stands: without time and speed."""
    said = []
    if pull.load_share is not None and pull.load_share > 0.5 and pull.stall is None:
        said.append(
            f"By the curve {100 * pull.load_share:.0f} % of what the pump takes is gas that still comes in: "
            "from oil and walls, water, or a leak."
        )
    if pull.stall is not None:
        said += standing(pull.stall)
    return tuple(said)


def _time(until: Until, stall: Stall | None, target_pa: float) -> str:
    target = pressure_text(target_pa)
    least = duration_text(until.low)
    if stall is not None:
        return (
            f"The pressure stands above the target of {target}: it would take {least} and more if what holds "
            "it ended now; when that is no curve tells."
        )
    if until.value is None:
        return f"Not by this curve: it bends towards an end above the target of {target}."
    about = f"The target of {target} is expected in about {duration_text(until.value)}"
    if until.high is None:
        return (
            f"{about}, not before {least}; it may be never, as the curve bends ({100 * until.never:.0f} %)."
        )
    return f"{about} (90 % between {least} and {duration_text(until.high)})."


def litres(m3_s: float) -> str:
    """A pumping speed in l/s."""
    return f"{1e3 * m3_s:.2g} l/s"


def speed(found: Speed, flow: Callable[[float], str] = litres) -> str:
    """An effective speed, its interval, its shares, and what the hose leaves of the pump.

    Parameters
    ----------
    found : Speed
        What was found.
    flow : callable
        Writes a pumping speed [m³/s] with its unit.
    """
    rate = found.per_s
    if found.m3_s is None:
        return (
            f"Effective speed over volume at {pressure_text(found.pressure_pa)}: {rate.value:.2g} 1/s (90 % "
            f"between {rate.low:.2g} and {rate.high:.2g}); with the volume it would be a pumping speed."
        )
    said = (
        f"Effective pumping speed at {pressure_text(found.pressure_pa)}: {flow(found.m3_s.value)} "
        f"(90 % between {flow(found.m3_s.low)} and {flow(found.m3_s.high)})"
    )
    if found.of_rating is not None:
        said += f", {100 * found.of_rating:.2g} % of the pump's rating"
    if found.of_explained is not None:
        said += f" and {100 * found.of_explained:.2g} % of what pump and hose give there"
    if found.held_back:
        said += (
            ". Something else holds it back: a valve core left in, a kinked or longer hose, a strainer, a "
            "pump below its rating, or a wrong volume"
        )
    return said + "." + _hose(found, flow)


def _hose(found: Speed, flow: Callable[[float], str]) -> str:
    """What the hose leaves of a good pump at that pressure."""
    if found.m3_s is None or found.of_rating is None or found.of_explained is None:
        return ""
    left = found.m3_s.value / found.of_explained
    share = found.of_rating / found.of_explained
    said = f" Through this hose a good pump gives {flow(left)} there, {100 * share:.2g} % of its rating"
    decides = share < HOSE_DECIDES and not found.held_back
    return said + (": the hose decides, a wider or shorter one pulls faster." if decides else ".")


def standing(stall: Stall) -> list[str]:
    """Where it stands, for how long, and what may hold it there."""
    said = [
        f"The pressure stood near {pressure_text(stall.pressure_pa)} for {duration_text(stall.since_s)}"
        + (
            f", still falling by {100 * stall.falling_per_h:.0f} % an hour."
            if stall.falling_per_h > 0.02
            else "."
        )
    ]
    share = stall.pressure_pa / stall.saturation_pa
    if stall.water == 0:
        said.append(
            f"That is {share:.1f} times the saturation pressure of water at the surroundings' temperature: "
            "free water does not hold it there."
        )
    elif stall.named is Standing.WATER:
        where = (
            "at the pressure of water's triple point, where boiling water freezes"
            if stall.near_triple
            else f"at {100 * share:.0f} % of the saturation pressure at the surroundings' temperature, where "
            "water that boils and cools itself, or ice, holds it"
        )
        said.append(
            f"It stands {where}: free water ({100 * stall.water:.0f} %). "
            "How much of it is left no curve tells."
        )
    else:
        likely = "possible" if stall.water >= 0.3 else "unlikely"
        said.append(
            f"It stands at {100 * share:.0f} % of the saturation pressure at the surroundings' temperature: "
            f"free water or ice is {likely} ({100 * stall.water:.0f} %)."
        )
    if stall.named is Standing.WATER:
        return said
    others = ["a leak or degassing in balance with the pump", "a gauge wet or oily"]
    if stall.pressure_pa < _PUMP_LIMIT_PA:
        others.insert(0, "a pump at its limit (spent oil, gas ballast open)")
    if stall.named is Standing.DEGASSING:
        said.append("It still falls like a power of time, which speaks for gas from oil and walls.")
    said.append(f"{', '.join(others).capitalize()}: these make the same line and cannot be told apart by it.")
    return said


def advice(pull: PullDown) -> str:
    """What to do about it."""
    if pull.stall is not None:
        if pull.stall.named is Standing.WATER:
            return (
                "Go on pumping and warm the circuit gently, never with a flame; ice is carried away slowly. "
                f"A break with dry nitrogen brings heat to it. {NEVER_OPEN}"
            )
        return f"{ISOLATE} {NEVER_OPEN}"
    if pull.now is not None and pull.now.held_back:
        return "Take valve cores out, use shorter and wider hoses, change the pump's oil."
    if pull.until is not None and pull.until.value is None and pull.state is State.FALLING:
        return f"{ISOLATE} {NEVER_OPEN}"
    return ""
