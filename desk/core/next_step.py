"""The one next step of whoever stands at the site, as a pure function of what is known.

It proposes and orders nothing. What is not known or was not reported lately counts as not known, and whatever
opens a valve or runs a pump brings its cautions with it. The order of the rules is the order of harm: a pump
that stands behind an open valve first, then a gauge that says nothing, then the work. Common practice, no
source.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from model.job import JobState
from model.judgement import (
    CERTAIN,
    LEAK_SUSPECTED,
    Cause,
    HoldTest,
    PhaseKind,
    Verdict,
    leak_probability,
    named_together,
)
from model.pull_down import PullDown, Standing, State
from model.reading import Valve

NEVER_OPEN = "Never open an isolation valve to a stopped pump: air and oil go back into the circuit."
NO_COMPRESSOR = "Never energise a compressor in a vacuum: lock out compressors and controllers."
EXHAUST = "Lead the pump's exhaust outdoors; mind the gas ballast."
NITROGEN = "Break a vacuum with dry nitrogen through a regulator with a relief device."
NO_PRESSURE_TEST = "A passed vacuum hold is no pressure test and does not replace one."
RECOVER = "Recover refrigerant, never vent it."
WATER_SIDE = "Drain water-side heat exchangers or keep their water moving: they freeze and burst."
OTHERS_FIRST = "The equipment maker's instructions, local codes and a licensed technician come first."

PUMPING = (NEVER_OPEN, EXHAUST, NO_COMPRESSOR, WATER_SIDE, OTHERS_FIRST)
WAITING = (NEVER_OPEN, NO_COMPRESSOR, OTHERS_FIRST)
HOLDING = (NO_COMPRESSOR, OTHERS_FIRST)
SEARCHING = (NEVER_OPEN, NO_COMPRESSOR, NITROGEN, RECOVER, OTHERS_FIRST)
DRYING = (NEVER_OPEN, NITROGEN, EXHAUST, NO_COMPRESSOR, WATER_SIDE, OTHERS_FIRST)


class Tone(StrEnum):
    """Whether the hands are needed."""

    ACT = "act"
    WAIT = "wait"
    TROUBLE = "trouble"
    DONE = "done"


class Guide(StrEnum):
    """A page that leads through the step."""

    GAUGE = "gauge"
    RIG = "rig"
    FIND = "find"


@dataclass(frozen=True, slots=True)
class Situation:
    """What is known of a job now.

    Parameters
    ----------
    gauge, heard, read : bool
        Whether a gauge serves the job, whether it was heard of lately, and whether it ever gave a reading.
    on_circuit : bool
        Whether that gauge sits on the circuit's side of the valve.
    phase_over : bool
        The phase ended and no other began.
    reached : bool
        The target was held for its dwell in this pull-down.
    below : bool
        The pressure is at or below the target.
    valve, pump : Valve, bool or None
        As reported lately; None: nothing was.
    hold : HoldTest or None
        The newest one.
    pull : PullDown or None
        What is said of the running pull-down.
    """

    state: JobState
    gauge: bool = True
    heard: bool = True
    read: bool = False
    on_circuit: bool = True
    phase: PhaseKind | None = None
    phase_over: bool = False
    reached: bool = False
    below: bool = False
    valve: Valve | None = None
    pump: bool | None = None
    hold: HoldTest | None = None
    pull: PullDown | None = None
    parked: bool = False


@dataclass(frozen=True, slots=True)
class Step:
    """What to do next, why, and what can hurt.

    Parameters
    ----------
    runs_pump : bool
        A pump is run or a system opened: flammable refrigerants need their own caution.
    until_us : int or None
        Until when it is waited [µs].
    """

    key: str
    act: str
    why: str
    tone: Tone
    cautions: tuple[str, ...] = ()
    guides: tuple[Guide, ...] = ()
    runs_pump: bool = False
    until_us: int | None = None


def next_step(now: Situation) -> Step:
    """The one step that serves most now."""
    if now.state is JobState.CLOSED:
        return Step("closed", "Nothing to do", "This job is closed.", Tone.DONE)
    if _stands_open(now):
        return Step(
            "close",
            "Close the valve",
            "The pump stands and the valve is open. Close it first, then start the pump against the closed "
            "valve, and open only to a pump that runs.",
            Tone.TROUBLE,
            PUMPING,
            runs_pump=True,
        )
    return _of_the_gauge(now) or _of_the_hold(now) or _of_the_pull_down(now) or _of_the_beginning(now)


def _stands_open(now: Situation) -> bool:
    vacuum = now.phase is PhaseKind.PULL_DOWN and not now.phase_over
    return vacuum and now.pump is False and now.valve is Valve.OPEN


def _of_the_gauge(now: Situation) -> Step | None:
    holding = now.phase is PhaseKind.HOLD and now.hold is not None and not now.hold.verdict.final
    if not now.gauge:
        why = "No gauge serves this job. Scan or type the name of the one that hangs on this circuit."
        return Step("gauge", "Assign a gauge", why, Tone.ACT, guides=(Guide.GAUGE,))
    if now.heard or now.state in (JobState.FINISHED, JobState.UNPROVEN):
        return None
    if holding:
        why = "Nothing is heard of the gauge in this hold. See to its battery and the gateway's reach; its "
        why += "readings may come late, and judge then."
        return Step("listen-hold", "Leave the valve, see to the gauge", why, Tone.TROUBLE, HOLDING)
    if now.hold is not None and now.phase is PhaseKind.HOLD:
        return None
    if now.phase is None:
        why = "It has said nothing for this job yet. See to its battery and the gateway's reach."
        if now.read:
            why = "Its last reading is too old to count. See to its battery and the gateway's reach."
            return Step("listen", "See to the gauge", why, Tone.ACT, guides=(Guide.GAUGE,))
        return Step("listen", "Switch the gauge on", why, Tone.ACT, guides=(Guide.GAUGE,))
    why = "Nothing is heard of it any more. See to its battery and the gateway's reach; what it measured "
    why += "meanwhile comes later, if it keeps it."
    return Step("listen", "See to the gauge", why, Tone.TROUBLE, guides=(Guide.GAUGE,))


def _of_the_hold(now: Situation) -> Step | None:
    hold = now.hold
    ended = now.state in (JobState.FINISHED, JobState.UNPROVEN)
    if hold is None or not (now.phase is PhaseKind.HOLD or ended):
        return None
    if hold.verdict is Verdict.RUNNING:
        return _while_holding(hold)
    if hold.verdict is Verdict.AWAITING:
        why = "The hold is over, but readings are missing that may still come. The verdict comes with them."
        return Step("await", "Leave the valve closed", why, Tone.WAIT, HOLDING)
    if hold.verdict is Verdict.PASSED:
        return _after_pass(hold)
    if hold.verdict is Verdict.FAILED:
        return _after_fail(hold)
    steps = () if hold.advice is None else hold.advice.steps
    why = steps[0] if steps else "The hold proved nothing. Pump down until the target is held, then hold."
    return Step("again", "Put right, then hold again", why, Tone.ACT, PUMPING, (Guide.RIG,), runs_pump=True)


def _while_holding(hold: HoldTest) -> Step:
    if hold.pump_felt:
        why = "The pressure goes on falling though the valve reports closed: see whether it really closed."
        return Step("seat", "Look at the valve", why, Tone.TROUBLE, (NEVER_OPEN, *HOLDING))
    if hold.early_call is not None:
        why = "By the curve so far it will fail; what comes until then tells a leak from water. An estimate: "
        why += "the rule decides."
        return Step("leave", "Leave the valve closed", why, Tone.WAIT, HOLDING, until_us=hold.planned_end_us)
    why = "The valve is closed and the hold runs. Nothing is to be touched: a hand at a joint is seen."
    return Step("leave", "Leave it", why, Tone.WAIT, HOLDING, until_us=hold.planned_end_us)


def _after_pass(hold: HoldTest) -> Step:
    share = 0.0 if hold.diagnosis is None else leak_probability(hold.diagnosis.probabilities)
    cautions = (NO_PRESSURE_TEST, NO_COMPRESSOR, NEVER_OPEN, OTHERS_FIRST)
    if share >= LEAK_SUSPECTED:
        why = (
            "Passed by the rule, but the curve speaks for a small leak. Test the rig alone, then hold again "
        )
        why += "for longer or isolate by sections."
        guides = (Guide.RIG, Guide.FIND)
        return Step("suspect", "Do not charge yet", why, Tone.TROUBLE, cautions, guides, runs_pump=True)
    why = "The vacuum stood. Go on by the job's procedure and the maker's instructions."
    return Step("passed", "Hold passed", why, Tone.DONE, cautions)


def _after_fail(hold: HoldTest) -> Step:
    shares = {} if hold.diagnosis is None else hold.diagnosis.probabilities
    rig = "First test the rig alone: hoses, core tool and the gauge's own fitting are often what leaks."
    both = (Guide.RIG, Guide.FIND)
    if leak_probability(shares) >= LEAK_SUSPECTED:
        act = "Leak suspected: isolate by sections"
        return Step("find", act, rig, Tone.TROUBLE, SEARCHING, both, runs_pump=True)
    together = named_together(shares)
    if together is not None and together[0] is Cause.MOISTURE and together[1] >= CERTAIN:
        why = "Moisture, by the curve. Pump longer and warm the circuit, never with a flame, perhaps with a "
        why += "break of dry nitrogen. Start the pump first, open the valve to it then."
        return Step("dry", "Dry on: pump runs, then open", why, Tone.ACT, DRYING, runs_pump=True)
    why = f"{rig} Only then look for the cause in the circuit."
    return Step("rig", "Hold failed: test the rig", why, Tone.TROUBLE, SEARCHING, both, runs_pump=True)


def _of_the_pull_down(now: Situation) -> Step | None:
    if now.phase is not PhaseKind.PULL_DOWN or now.phase_over:
        return None
    if now.pump is False:
        return _pump_on("The pump stands. Start it against the closed valve and open only when it runs.")
    if now.reached and not now.on_circuit:
        why = "The target is reached at the pump's side only, which decides nothing. Put a gauge on the "
        why += "circuit's side, far from the pump."
        return Step("gauge", "Gauge on the circuit's side", why, Tone.ACT, PUMPING, (Guide.GAUGE,))
    if now.reached:
        why = "The target was held for its time. Close the valve; leave the pump running until it is closed."
        return Step("isolate", "Isolate and hold", why, Tone.ACT, (NEVER_OPEN, *HOLDING), runs_pump=True)
    if now.below:
        why = "At or below the target; it must stand there for the time that the procedure asks."
        return Step("dwell", "Wait", why, Tone.WAIT, WAITING, runs_pump=True)
    return _while_pumping(now.pull)


def _while_pumping(pull: PullDown | None) -> Step:
    if pull is not None and pull.stall is not None and pull.state is State.STANDING:
        if pull.stall.named is Standing.WATER:
            why = "The pressure stands: free water, by the curve. Warm the circuit gently, never with a "
            why += "flame; ice is carried away slowly."
            return Step("water", "Pump on, and warm it", why, Tone.ACT, DRYING, runs_pump=True)
        return _tell("The pressure stands above the target.")
    if pull is not None and pull.until is not None and pull.until.value is None:
        return _tell("By this curve the target is not reached.")
    if pull is not None and pull.now is not None and pull.now.held_back:
        why = (
            "It pulls at less than half of what pump and hose should. Take valve cores out, use shorter and "
        )
        why += "wider hoses, change the pump's oil: valve closed first."
        return Step("hoses", "See to hoses and cores", why, Tone.ACT, PUMPING, (Guide.RIG,), runs_pump=True)
    why = "The pump pulls. Nothing is to be done until the target is reached."
    return Step("wait", "Wait", why, Tone.WAIT, WAITING, runs_pump=True)


def _tell(first: str) -> Step:
    why = (
        f"{first} Close the valve for five minutes: a pressure that stays speaks for the pump or the gauge, "
    )
    why += "a straight rise for a leak, one that bends over for water or gas from oil and walls."
    return Step("tell", "Isolate for five minutes to tell", why, Tone.ACT, PUMPING, (Guide.RIG,), True)


def _pump_on(why: str) -> Step:
    return Step("pump", "Pump on", why, Tone.ACT, PUMPING, (Guide.RIG,), runs_pump=True)


def _of_the_beginning(now: Situation) -> Step:
    if now.parked:
        why = "The judgement of this job was parked. Readings are kept; tell the dispatcher."
        return Step("parked", "Ask the dispatcher", why, Tone.TROUBLE)
    if now.phase is PhaseKind.HOLD:
        why = "The hold is over and the next stretch is not seen yet."
        return Step("wait", "Wait", why, Tone.WAIT, HOLDING)
    if now.pump and now.valve is Valve.CLOSED:
        why = "The pump runs against the closed valve. Prove the rig now, if you have not; then open to it."
        return Step("open", "Open to the running pump", why, Tone.ACT, PUMPING, (Guide.RIG,), runs_pump=True)
    if now.pump:
        return Step(
            "wait", "Wait", "The pump runs; the pull-down begins.", Tone.WAIT, PUMPING, runs_pump=True
        )
    if now.phase is PhaseKind.BROKEN:
        why = "The vacuum was let up. Pump down again when the procedure says so: pump first, valve then."
        return _pump_on(why)
    return _pump_on(
        "Connect, prove the rig, start the pump against the closed valve; open only when it runs."
    )
