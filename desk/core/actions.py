"""What an alert asks somebody to do, in words.

Cautions stand where an act is proposed. The advice is common practice (no source) unless it says otherwise.
"""

from __future__ import annotations

from collections.abc import Sequence

from model.cautions import CAUTION

RIG_FIRST = (
    "Blank the rig off and test it alone first: "
    "hoses, core tool and the gauge's own fitting are often what leaks."
)

NO_ADVICE = f"{RIG_FIRST} Then hold again for longer or by sections, to tell a leak from moisture."
"""About a hold of which the judgement says nothing more."""

WILL_FAIL = (
    "An estimate, and no verdict: leave the valve closed, the rule decides. Somebody will be needed: look at "
    "the curve, and decide whether to send a crew now or to plan for the end of the hold. "
    f"{RIG_FIRST} {CAUTION}"
)

SILENT = (
    "Find out why the gauge is silent: its battery, its plug, the gateway's reach. Readings that the gateway "
    "has stored count when they come, however late; what was never measured can make the hold inconclusive."
)

_ISOLATE = (
    "Ask again once the gateway is in reach, or have the valve closed at the site while the pump runs: if "
    f"the pump stops with the valve open, air and oil go back into the circuit. {CAUTION}"
)

ORDER_NOT_DONE = f"The circuit is not isolated by this order. Look at the reason. {_ISOLATE}"

ORDER_EXPIRED = (
    "Nobody knows whether the valve closed: take the circuit for not isolated until it reports closed. "
    f"{_ISOLATE}"
)

OPEN_NOT_DONE = (
    "The valve was not opened by this order. Look at the reason, and see that the valve reports closed. Open "
    f"only to a pump that has run for two minutes, and look at the page again before you ask again. {CAUTION}"
)

OPEN_EXPIRED = (
    "Nobody knows whether the valve opened: take it for open until it reports closed. If the gateway is in "
    "reach, have it closed; if not, it closes by itself when its pump stops, and who is at the site can see "
    f"where it stands. {CAUTION}"
)

OPENING_UNSAFE = (
    "The valve is being closed: see that it reports closed, and have it closed at the site if it does not. "
    "Then find out why the pressure did not fall, or rose: the pump, its oil and its gas ballast, hoses, the "
    f"valve itself, or gas that comes in. Do not open again from afar before that is known. {CAUTION}"
)

NOT_HOLDING = (
    "Do not take the circuit for isolated: a hold may flatter it. See whether the valve really closed and "
    "its seat is clean; through long thin pipes gas may still be evening out. Close a second valve at the "
    f"site, or hold again behind a valve that is proved. {CAUTION}"
)

PUMP_STOPPED = (
    "Have the isolation valve closed at once: at the site, or from the job's page if it takes orders. Then "
    "start the pump against the closed valve, and open only to a pump that runs. What has come in must be "
    f"pumped out again; see whether oil has gone into the circuit. {CAUTION}"
)

PLAN_BLOCKED = (
    "The plan does not begin or prove a hold by itself. Look at the reason and at the plan's log: put it "
    "right, call the plan off, or send somebody. "
    f"Take the circuit for isolated only while the valve reports closed. {CAUTION}"
)

PLAN_DRIES = (
    "The plan closes the valve again and holds anew; if it stops before that, you are told. Nobody may work "
    f"at the circuit meanwhile. {CAUTION}"
)

PLAN_REPORT = (
    "You asked to be told however it went. Read the plan's log and the judgement before anybody breaks the "
    f"vacuum or charges; a passed hold is no pressure test. {CAUTION}"
)

PARKED = (
    "No verdict will come of this job by itself: read its gauge, decide by the procedure, and tell whoever "
    "looks after this installation. The log of the analysis has the reason."
)

UNPROVEN = (
    "Do not take the circuit for dry and tight. If it is not charged, evacuate and hold again; if it is, "
    f"note it on the job. Recover refrigerant, never vent it. {CAUTION}"
)

REFUSED = (
    "Open the gateway's refused messages and read why. What is only not registered, or has another unit, put "
    "right in the set-up and have the messages read again: their readings count then. Otherwise have the "
    "gateway's program put right. Until then its jobs may lack readings."
)

OVER_LIMIT = (
    "Find out what the gateway sends, and stop it: put its program right, or revoke the gateway if it cannot "
    "be reached. Other gateways are not held up. Then have what was laid aside read again: good packs may be "
    "among it. What was only counted is lost unless the gateway sends it again."
)

STRANGERS = (
    "See the names on the page of refused messages. One of yours: register it and have its messages read "
    "again. None of yours: find out who has a login at the broker that lets them use such names."
)

CLOCK_WRONG = (
    "Have the gateway's clock set, best by network time. Durations are judged rightly meanwhile, moments are "
    "not. If several gateways say so at once, look at this server's clock first."
)

GATEWAY_SILENT = (
    "Find out why the gateway is silent: its power, its network, its place. Its gauges are no alerts of "
    "their own meanwhile. Readings that it stored come later and can still decide its holds."
)

NOT_UNDERSTOOD = (
    "Open the job and judge it by its readings, and tell whoever looks after this installation. "
    "The log of the desk has the reason."
)


def about_hold(advice: Sequence[str]) -> str:
    """What the judgement advises about a hold, with the usual cautions."""
    return " ".join([*(advice or [NO_ADVICE]), CAUTION])
