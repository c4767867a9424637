"""Messages for people: what happened where, what to do, with the cautions, in the reader's own units.

They are written when they are sent, so that one that had to wait says what is so then. Their times are those
of the site, with the offset where the reader's clock is another one or is not known.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

from api import mornings
from api.conventions import SI, of_tag
from api.figures import Figures
from api.mornings import Morning, NightHold
from api.sentences import TextFigure, tell
from api.words import PRIORITIES, percent
from model.alert import Priority
from model.cautions import CAUTION
from model.channel import Channel, Letter
from model.clock import Clock, to_datetime
from model.judgement import Verdict
from store import mornings as stored
from store import preferences
from store.database import Connection

TEMPLATES = Path(__file__).parent / "templates" / "mail"
PLACE = """
    SELECT s.name AS site, s.time_zone, j.title
    FROM (SELECT %(job)s::int AS job, %(site)s::int AS site) asked LEFT JOIN job j ON j.id = asked.job
    JOIN site s ON s.id = coalesce(asked.site, j.site_id)
"""

SUBJECTS: Mapping[str, str] = {
    "hold-failed": "hold failed: see how soon somebody must go",
    "hold-will-fail": "hold likely to fail: plan for somebody to go",
    "hold-inconclusive": "hold proved nothing: hold again",
    "leak-suspected": "hold passed, leak suspected: do not charge yet",
    "pump-stopped-open": "pump stopped with the valve open: have the valve closed",
    "series-silent": "gauge silent during a hold: find out why",
    "gateway-silent": "gateway silent: find out why",
    "series-parked": "readings cannot be judged: read the gauge",
    "evacuation-unproven": "ended without a passed hold: do not take it for tight",
    "order-not-done": "order to a valve not done: see to the valve",
    "opening-unsafe": "pressure does not fall after an opening: see that the valve closes",
    "valve-not-holding": "valve reports closed, pressure falls: do not take it for isolated",
    "plan-blocked": "hold plan hindered: see its log",
    "plan-report": "how a planned hold went",
    "gateway-refused": "messages of a gateway refused: see why",
    "gateway-over-limit": "gateway sends too much that is refused: stop it",
    "clock-wrong": "clock of a gateway wrong: have it set",
    "event-not-understood": "something was not understood: look at the job",
}
"""What happened and what to do, by the kind of an alert."""
CAME_TO: Mapping[str | None, str] = {
    "passed": "planned hold passed: read it before anybody breaks the vacuum",
    "failed": "planned hold failed: see what to do",
    "inconclusive": "planned hold proved nothing: hold again",
    "not-begun": "no planned hold has begun: see why",
    "valve-moved": "valve moved during the planned hold: see its log",
    "no-verdict": "no verdict of the planned hold: see its log",
    None: "planned hold has no verdict yet",
}


@dataclass(frozen=True, slots=True)
class Sheet:
    """What the templates set.

    Parameters
    ----------
    mark, tone : str
        One word on how it stands, and its colour (`api.words.Mark`).
    happened : sequence of str
        Sentences.
    facts : sequence of (str, str)
        Labels and figures.
    steps, bring : sequence of str
        What to do, and what for.
    caution : str
        Beside the steps; empty where nobody is asked to act.
    link : str
        Empty: the settings name no address of the pages.
    """

    subject: str
    title: str
    mark: str
    tone: str
    happened: Sequence[str]
    foot: str
    facts: Sequence[tuple[str, str]] = ()
    steps: Sequence[str] = ()
    bring: Sequence[str] = ()
    caution: str = ""
    link: str = ""
    link_text: str = "Open the job"
    foot_link: str = ""


class Writer:
    """Writes messages for channels.

    Parameters
    ----------
    address : str
        Where people find the pages; empty: nobody knows, and messages hold no links.
    """

    def __init__(self, address: str, clock: Clock) -> None:
        self._address = address.rstrip("/")
        self._clock = clock
        self._environment = Environment(
            loader=FileSystemLoader(TEMPLATES),
            autoescape=select_autoescape(),
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            auto_reload=False,
        )

    def __call__(self, conn: Connection, channel: Channel, reason: str, body: Mapping[str, Any]) -> Letter:
        """Write the message that a row of the outbox asks for."""
        figures = self._figures(conn, channel)
        if reason == "morning":
            return self._morning(conn, channel, date.fromisoformat(body["day"]), figures)
        if reason == "test":
            return self._set(self._test(channel, body))
        if reason in ("plan-report", "plan-verdict"):
            return self._set(self._plan(conn, channel, body, figures))
        return self._set(self._alert(conn, channel, body, figures))

    def _figures(self, conn: Connection, channel: Channel) -> Figures:
        chosen = (
            preferences.NONE_CHOSEN if channel.person_id is None else preferences.of(conn, channel.person_id)
        )
        tag = chosen.locale or channel.locale
        conventions = of_tag(tag) if tag else None
        year = to_datetime(self._clock.now_us()).year
        return Figures(chosen, conventions or SI, channel.time_zone, year)

    def _link(self, path: str) -> str:
        return f"{self._address}{path}" if self._address else ""

    def _foot(self, channel: Channel) -> dict[str, Any]:
        whose = "You are told this" if channel.person_id is not None else "Dispatch is told this"
        page = "/setup/telling" if channel.person_id is None else "/me/channels"
        return {"foot": f"{whose} over “{channel.name}”.", "foot_link": self._link(page)}

    def _set(self, sheet: Sheet) -> Letter:
        given = {"sheet": sheet}
        return Letter(
            subject=_one_line(sheet.subject),
            text=self._environment.get_template("letter.txt").render(given),
            html=self._environment.get_template("letter.html").render(given),
            brief=_one_line(f"{sheet.subject} {sheet.link}"),
        )

    # What is written -----------------------------------------------------------------------------------

    def _test(self, channel: Channel, body: Mapping[str, Any]) -> Sheet:
        by = str(body.get("by") or "Somebody at the command line")
        return Sheet(
            subject="Holdfast: a test message, nothing to do",
            title="A test message",
            mark="Nothing to do",
            tone="calm",
            happened=(f"{by} asked for it. Messages over “{channel.name}” arrive here.",),
            link=self._link("/"),
            link_text="Open the pages",
            **self._foot(channel),
        )

    def _alert(self, conn: Connection, channel: Channel, body: Mapping[str, Any], figures: Figures) -> Sheet:
        data = body["data"]
        job_id = (data["job"] or {}).get("id")
        where, zone, job = _place(conn, (data["site"] or {}).get("id"), job_id)
        over = body["type"].endswith(".cleared.v1")
        mark = PRIORITIES[Priority(data["priority"])]
        what = SUBJECTS.get(data["kind"], data["kind"].replace("-", " "))
        urgent = "Urgent: " if data["priority"] == Priority.URGENT and not over else ""
        action = data["action"].removesuffix(CAUTION).strip()
        # What an older edition put into the outbox says no reason.
        reason = data.get("because", "")
        because = "" if over or data["text"] in reason else reason
        happened = [tell(said, figures, None, zone) for said in (data["text"], because) if said]
        return Sheet(
            subject=f"Over: {where}, {what.partition(':')[0]}" if over else f"{urgent}{where}, {what}",
            title=f"{where}: {what.partition(':')[0]}",
            mark="Over" if over else mark.word,
            tone="good" if over else mark.tone,
            happened=happened,
            facts=[
                (label, text)
                for label, text in (
                    ("Job", job),
                    ("Happened", figures.when(datetime.fromisoformat(data["happened"]), zone)),
                    ("Told", figures.when(datetime.fromisoformat(data["raised"]), zone)),
                )
                if text
            ],
            steps=() if over else (tell(action, figures, None, zone),),
            caution="" if over or data["key"].startswith("gateway:") else CAUTION,
            link=self._link("/alerts" if job_id is None else f"/jobs/{job_id}"),
            link_text="Open the alerts" if job_id is None else "Open the job",
            **self._foot(channel),
        )

    def _plan(self, conn: Connection, channel: Channel, body: Mapping[str, Any], figures: Figures) -> Sheet:
        site, zone, job = _place(conn, body["site"], body["job"])
        held = None if body["hold"] is None else stored.hold(conn, body["hold"])
        view = None if held is None else mornings.hold(held, _say(figures))
        # The verdict as it is now: late readings may have changed it since.
        came_to = view.verdict.value if view is not None and view.verdict.final else body["came_to"]
        what = CAME_TO.get(came_to, CAME_TO[None])
        facts = [("Job", job), *([] if view is None else _about_hold(view, figures))]
        return Sheet(
            subject=f"{site}, {what}",
            title=f"{site}: {what.partition(':')[0]}",
            mark="Awaiting readings" if view is None else view.mark.word,
            tone="mute" if view is None else view.mark.tone,
            happened=[tell(body["text"], figures, None, zone)],
            facts=facts,
            steps=() if view is None else view.steps,
            bring=() if view is None else view.bring,
            caution=CAUTION,
            link=self._link(f"/jobs/{body['job']}/plan/{body['plan']}"),
            link_text="Open the plan",
            **self._foot(channel),
        )

    def _morning(self, conn: Connection, channel: Channel, day: date, figures: Figures) -> Letter:
        told = mornings.morning(conn, day, self._clock.now_us(), _say(figures))
        given = {
            "morning": told,
            "figures": figures,
            "about_hold": lambda one: _about_hold(one, figures),
            "link": self._link,
            "title": f"Morning of {_day(figures, told)}",
            "empty": not told.holds and not told.plans,
            **self._foot(channel),
        }
        go_now = sum(one.urgency == "go-now" for one in told.holds)
        lead = f"{go_now} to go to now; " if go_now else ""
        subject = f"Holds of the night: {lead}{told.summary}"
        if given["empty"]:
            subject = "Holds of the night: none"
        return Letter(
            subject=_one_line(subject),
            text=self._environment.get_template("morning.txt").render(given),
            html=self._environment.get_template("morning.html").render(given),
            brief=_one_line(f"{subject} {self._link(f'/mornings/{told.day}')}"),
        )


def _say(figures: Figures) -> mornings.Say:
    def say(text: str, told: list[TextFigure] | None, time_zone: str) -> str:
        return tell(text, figures, told, time_zone)

    return say


def _about_hold(view: NightHold, figures: Figures) -> list[tuple[str, str]]:
    """Labels and figures of a hold: when, how sure, how soon."""
    began = figures.when(view.started_at, view.time_zone)
    held = (
        f"since {began}"
        if view.ended_at is None
        else f"{began} to {figures.when(view.ended_at, view.time_zone)}"
    )
    cause = view.cause + ("" if view.probability is None else f", {percent(view.probability)} sure")
    return [
        (label, text)
        for label, text in (
            ("Circuit", view.circuit or ""),
            ("Held", held),
            ("Likely cause", cause if view.verdict is not Verdict.PASSED or view.probability else ""),
            ("How soon", view.line),
        )
        if text
    ]


def _day(figures: Figures, told: Morning) -> str:
    return figures.conventions.moment(datetime.combine(told.day, datetime.min.time()), year=True).rpartition(
        ","
    )[0]


def _place(conn: Connection, site_id: int | None, job_id: int | None) -> tuple[str, str, str]:
    """Name of a site, its time zone, title of a job."""
    row = conn.execute(PLACE, {"site": site_id, "job": job_id}).fetchone()
    return ("Holdfast", "UTC", "") if row is None else (row["site"], row["time_zone"], row["title"] or "")


def _one_line(text: str) -> str:
    return " ".join(text.split())
