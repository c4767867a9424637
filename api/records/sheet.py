"""A record in words and figures for people, in the company's units: all that the page of it says.

Made from the record alone, so that a record of last year reads as it was signed.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any

from api.figures import NOTHING, Figures
from api.records import curve
from api.records.signing import Channel
from api.sentences import find, tell
from api.words import CAUSES, JOB_STATES, PHASES, POSITIONS, ROLES, VERDICTS, chance, duration
from model.equipment import Position, Role
from model.job import JobState
from model.judgement import Cause, PhaseKind, Verdict

FONT = "Libertinus Serif"
"""Comes with typst (SIL Open Font License), so that every record looks the same."""
MOST_GAPS = 12

Row = tuple[str, str]


def display(
    record: Mapping[str, Any],
    channels: Sequence[Channel],
    figures: Figures,
    *,
    digest: str,
    key_id: str,
    address: str,
    paper: str,
) -> dict[str, Any]:
    """What the page says.

    Parameters
    ----------
    address : str
        What the QR code holds: where the digest is looked up, or the digest itself.
    paper : str
        ``a4`` or ``letter``.
    """
    writer = _Writer(record, figures)
    return {
        "paper": {"a4": "a4", "letter": "us-letter"}[paper],
        "font": FONT,
        "number": record["number"],
        "company": record["company"],
        "result": writer.result(),
        "facts": writer.facts(),
        "curve": curve.draw(record, channels, figures, FONT),
        "phases": writer.phases(),
        "holds": writer.holds(),
        "procedure": writer.procedure(),
        "instruments": writer.instruments(),
        "interruptions": writer.interruptions(),
        "cautions": record["cautions"],
        "made": f"Made {writer.when(record['made_at'])} by {record['made_by']}.",
        "digest": [digest[i : i + 8] for i in range(0, len(digest), 8)],
        "key": key_id,
        "address": address,
        "qr": _qr(address),
    }


def result_of(record: Mapping[str, Any], figures: Figures) -> dict[str, str]:
    """What the record's box says: a word and a sentence."""
    return _Writer(record, figures).result()


class _Writer:
    def __init__(self, record: Mapping[str, Any], figures: Figures) -> None:
        self.record = record
        self.figures = figures
        self.zone = record["job"]["time_zone"]
        self.accuracies = {one["name"]: one["accuracy"] for one in record["instruments"]}

    def when(self, at: str | None, *, seconds: bool = False) -> str:
        return (
            NOTHING
            if at is None
            else self.figures.when(datetime.fromisoformat(at), self.zone, seconds=seconds)
        )

    def lasted(self, since: str, until: str | None) -> str:
        if until is None:
            return "not ended"
        return duration((datetime.fromisoformat(until) - datetime.fromisoformat(since)).total_seconds())

    def standing(self) -> list[tuple[int, Mapping[str, Any]]]:
        """Holds that were not withdrawn, with their numbers."""
        return list(enumerate((one for one in self.record["hold_tests"] if not one["withdrawn"]), 1))

    def sentence(self, text: str, hold: Mapping[str, Any]) -> str:
        told = find(
            text,
            (hold["start_pa"], hold["last_pa"], hold["highest_pa"]),
            (hold["limit_pa"],),
            self.accuracies.get(hold["gauge"] or ""),
        )
        return tell(text, self.figures, told, self.zone)

    # Parts -----------------------------------------------------------------------------------------------

    def result(self) -> dict[str, str]:
        """The last hold's verdict, in one form whatever it is."""
        holds = self.standing()
        if not holds:
            return {
                "word": "No hold test",
                "text": "Nothing in this record shows that the circuit holds vacuum.",
            }
        number, last = holds[-1]
        word = VERDICTS[Verdict(last["verdict"])].word
        of = f"hold {number} of {len(holds)}" if len(holds) > 1 else "hold test"
        return {"word": f"{word} ({of})", "text": self.sentence(last["text"], last)}

    def facts(self) -> list[Row]:
        job, figures = self.record["job"], self.figures
        place = ", ".join(part for part in (job["site"], job["place"]) if part)
        breaks = self.record["breaks"]
        rows = [
            ("Job", f"{job['title']} (no. {job['id']})"),
            ("Site", place),
            ("Circuit", job["circuit"] or NOTHING),
            ("Volume, as entered", figures.volume(job["volume_m3"])),
            ("Refrigerant", job["refrigerant"] or NOTHING),
            ("Oil", job["oil"] or NOTHING),
            ("Crew", job["crew"] or NOTHING),
            ("Opened", self.when(job["opened_at"])),
            ("Closed", self.when(job["closed_at"]) if job["closed_at"] else "not closed"),
            ("State", JOB_STATES[JobState(job["state"])]),
            ("Nitrogen breaks", f"{breaks['done']} done, {breaks['asked']} asked for"),
        ]
        if job["hose_bore_m"]:
            rows.append(("Hose", figures.hose(job["hose_bore_m"], job["hose_length_m"])))
        return rows

    def phases(self) -> list[list[str]]:
        return [
            [
                PHASES[PhaseKind(one["kind"])],
                self.when(one["started_at"]),
                self.lasted(one["started_at"], one["ended_at"]),
                self.figures.pressure_text(one["start_pa"]),
                self.figures.pressure_text(one["lowest_pa"]),
                self.figures.pressure_text(one["end_pa"]),
            ]
            for one in self.record["phases"]
        ]

    def holds(self) -> list[dict[str, Any]]:
        told = [self._hold(f"Hold {number}", one) for number, one in self.standing()]
        told += [
            {
                "title": f"Withdrawn: the hold that began {self.when(one['started_at'])}",
                "text": "Later readings showed that there was no such hold.",
                "rows": [],
                "remarks": [],
                "estimate": "",
                "revisions": self._revisions(one),
            }
            for one in self.record["hold_tests"]
            if one["withdrawn"]
        ]
        return told

    def _hold(self, title: str, hold: Mapping[str, Any]) -> dict[str, Any]:
        figures = self.figures
        accuracy = self.accuracies.get(hold["gauge"] or "")
        marks = [hold["limit_pa"]]
        rows = [
            ("Begun", self.when(hold["started_at"], seconds=True)),
            ("Ended", self.when(hold["ended_at"], seconds=True) if hold["ended_at"] else "not ended"),
            ("Lasted", self.lasted(hold["started_at"], hold["ended_at"])),
            ("Seen by", "the valve’s report" if hold["found_by"] == "valve report" else "the curve"),
            ("Gauge", hold["gauge"] or NOTHING),
            (
                "Its accuracy",
                NOTHING if accuracy is None else f"± {figures.percent(accuracy)} of the reading",
            ),
            ("After settling", figures.pressure_text(hold["start_pa"], accuracy, marks)),
            ("Permitted", figures.setting_text(hold["limit_pa"])),
            ("Highest", figures.pressure_text(hold["highest_pa"], accuracy, marks)),
            ("Last", figures.pressure_text(hold["last_pa"], accuracy, marks)),
            ("Over the limit from", self.when(hold["first_over_limit_at"], seconds=True)),
            ("Smallest leak it could have shown", self._smallest(hold)),
        ]
        return {
            "title": f"{title}: {VERDICTS[Verdict(hold['verdict'])].word}",
            "text": self.sentence(hold["text"], hold),
            "rows": rows,
            "remarks": [self.sentence(one, hold) for one in hold["remarks"]],
            "estimate": self._estimate(hold["estimate"]),
            "revisions": self._revisions(hold),
        }

    def _smallest(self, hold: Mapping[str, Any]) -> str:
        leak, rise = hold["smallest_leak_pa_m3_per_s"], hold["smallest_rise_pa_per_s"]
        if leak is not None:
            return f"{self.figures.scientific(leak)} Pa·m³/s (volume as entered)"
        if rise is not None:
            return f"{self.figures.pressure_rate(rise)} (the volume is not known)"
        return NOTHING

    def _estimate(self, found: Mapping[str, Any] | None) -> str:
        """In one sentence; it is no part of the verdict."""
        if found is None:
            return ""
        cause = Cause(found["cause"])
        if cause is Cause.UNCLEAR:
            return "Estimate, no part of the verdict: the cause of the rise is unclear."
        share = found["probabilities"].get(cause)
        likely = "" if share is None else f", probability {chance(share)}"
        return f"Estimate, no part of the verdict: {CAUSES[cause]}{likely}."

    def _revisions(self, hold: Mapping[str, Any]) -> list[str]:
        """How the verdict came to be, where it was not said once and for all."""
        if len(hold["revisions"]) < 2 and not hold["withdrawn"]:
            return []
        return [
            f"{self.when(one['at'])}: {VERDICTS[Verdict(one['verdict'])].word.lower()} ({one['because']})"
            for one in hold["revisions"]
        ]

    def procedure(self) -> dict[str, Any]:
        used, figures = self.record["procedure"], self.figures
        rows = [
            ("Target", f"{figures.setting_text(used['target_pa'])}, held for {duration(used['dwell_s'])}"),
            ("Hold", f"{duration(used['hold_s'])}, of it {duration(used['settle_s'])} settling"),
            ("Permitted pressure", figures.setting_text(used["limit_pa"])),
            ("Permitted rise", figures.setting_text(used["rise_pa"])),
            ("Over the limit for", duration(used["persistence_s"])),
            ("Origin of the numbers", used["origin"]),
        ]
        asked = self.record["procedure_first_asked_for"]
        return {
            "name": f"{used['name']}, version {used['version']}",
            "rows": rows,
            "changed": "" if asked is None else self._changed(asked),
        }

    def _changed(self, asked: Mapping[str, Any]) -> str:
        name = f"“{asked['name']}”, version {asked['version']}"
        first = f"The job was opened with {name}, and is judged by another one."
        if not asked["laxer_now"]:
            return f"{first} It asks for no less."
        return f"{first} It is laxer in: {', '.join(asked['laxer_now'])}."

    def instruments(self) -> list[list[str]]:
        return [
            [
                one["name"] + (" (decides)" if one["deciding"] else ""),
                ROLES[Role(one["role"])],
                POSITIONS[Position(one["side"])],
                one["serial"] or NOTHING,
                self._range(one),
                _calibrated(one["calibration"]),
            ]
            for one in self.record["instruments"]
        ]

    def _range(self, one: Mapping[str, Any]) -> str:
        if one["role"] != Role.GAUGE:
            return NOTHING
        accuracy = f"± {self.figures.percent(one['accuracy'])}"
        if one["range_low_pa"] is None and one["range_high_pa"] is None:
            return accuracy
        low, high = (self.figures.setting_text(one[name]) for name in ("range_low_pa", "range_high_pa"))
        return f"{low} to {high}, {accuracy}"

    def interruptions(self) -> list[str]:
        told = [
            f"{one['gauge']}: no readings for {duration(one['lasted_s'])} from {self.when(one['since'])}"
            for one in self.record["interruptions"]
        ]
        more = len(told) - MOST_GAPS
        return told[:MOST_GAPS] + ([f"and {more} more, in the file of this record"] if more > 0 else [])


def _calibrated(known: Mapping[str, Any] | None) -> str:
    if known is None:
        return "not known"
    due = "" if known["due"] is None else f", due {_day(known['due'])}"
    late = ", overdue" if known["overdue"] else ""
    return f"{_day(known['on'])}{due}{late}" + (f" ({known['certificate']})" if known["certificate"] else "")


def _day(text: str) -> str:
    return date.fromisoformat(text).strftime("%d %b %Y").lstrip("0")


def _qr(text: str) -> str:
    import segno

    out = io.BytesIO()
    segno.make(text, error="m", micro=False).save(out, kind="svg", border=0, xmldecl=False, scale=4)
    return out.getvalue().decode()
