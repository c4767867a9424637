"""Records of evacuations: made, listed, given out, checked; and what they say of the company."""

from __future__ import annotations

import json
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from pydantic import BaseModel, Field
from starlette.responses import Response

from api.asked import Asked
from api.context import Context, Ctx
from api.paging import Page, Paged
from api.permissions import LOOK, OPEN_TO_ALL, MayEquip, MayRunJobs
from api.problems import errors_of
from api.records import making, signing
from api.records.signing import Signer
from api.routes.places import Number, by_of
from model.errors import Conflict, NotFound
from store import calibrations, company, records
from store.audit import By
from store.calibrations import Calibration
from store.company import Company
from store.database import Connection
from store.people import Person
from store.records import RECORDS, Record

router = APIRouter(tags=["records"])

SCHEMA = Path(__file__).parent.parent / "records" / "record.schema.json"
NO_KEY = "This installation has no key to sign records with: set HOLDFAST_RECORD_KEY."

Paper = Annotated[
    Literal["a4", "letter"] | None, Query(description="Unless given, what the company has chosen.")
]


class RecordView(BaseModel):
    """A record that was made of a job. It never changes; a later one follows it."""

    id: int
    job_id: int
    number: int = Field(description="Counts the records of the job.")
    title: str
    site: str
    made_at: datetime
    made_by: str | None
    digest: str = Field(description="SHA-256 of the canonical record (RFC 8785), in hexadecimal.")
    key_id: str
    latest: bool = Field(description="No later record of the job was made.")


class FindingView(BaseModel):
    """One thing that was looked at."""

    good: bool
    text: str


class CheckedView(BaseModel):
    """What a file came to."""

    number: str
    digest: str
    unaltered: bool = Field(description="Signature and every hash are right.")
    signed_here: bool = Field(description="The key is one of this installation's.")
    known_here: bool = Field(description="This very record was made here.")
    latest: bool | None = Field(description="No later record of its job was made; null: not known here.")
    key_id: str
    findings: list[FindingView]


class KeyView(BaseModel):
    """A key that records were signed with here."""

    key_id: str
    public_key: str = Field(description="Ed25519 (RFC 8032), in base64.")
    since: datetime


class CompanyView(Asked):
    """What stands on a record of the company, and how it writes figures."""

    name: str = ""
    address: str = Field("", description="Lines, five at most.")
    pressure_unit: str = "micron"
    temperature_unit: str = "°C"
    volume_unit: str = "L"
    locale: str = Field("si", description="BCP 47 tag, or si.")
    paper: Literal["a4", "letter"] = "a4"


class CalibrationWish(Asked):
    """A calibration to be written down."""

    calibrated_on: date
    due_on: date | None = None
    certificate: str = Field("", description="Its number, or who made it.")


class CalibrationView(BaseModel):
    """A calibration of an instrument."""

    id: int
    calibrated_on: date
    due_on: date | None
    certificate: str


# Making and giving out ------------------------------------------------------------------------------------


@router.post("/jobs/{job_id}/records", status_code=201, responses=errors_of(401, 403, 404, 409, 422, 503))
def make_record(ctx: Ctx, person: MayRunJobs, job_id: Number) -> RecordView:
    """Make a record of a job as it is now: signed, with every reading that served the job.

    It can be made of any job that has readings, also of one that failed or runs still.
    """
    with ctx.database() as conn:
        return _view(conn, made_of(ctx, conn, person, job_id))


@router.get("/records", dependencies=[LOOK], responses=errors_of(401, 403, 422, 503))
def list_records(ctx: Ctx, paging: Paged, job: int | None = None) -> Page[RecordView]:
    """Records, the newest first."""
    with ctx.database() as conn:
        return paging.page(conn, RECORDS, {"job": job}, lambda row: RecordView(**row))


@router.get("/records/keys", dependencies=[OPEN_TO_ALL], responses=errors_of(503))
def list_keys(ctx: Ctx) -> list[KeyView]:
    """The keys that records were signed with here; open to everybody, who must be able to check one."""
    with ctx.database() as conn:
        return [
            KeyView(key_id=name, public_key=signing.in_base64(public), since=since)
            for name, public, since in records.keys(conn)
        ]


@router.get("/records/schema", dependencies=[OPEN_TO_ALL])
def read_schema() -> dict[str, Any]:
    """The JSON Schema of a record's file."""
    return schema()


@router.post(
    "/records/verify",
    dependencies=[OPEN_TO_ALL],
    responses=errors_of(413, 422, 503),
    openapi_extra={"requestBody": {"required": True, "content": {"application/octet-stream": {}}}},
)
async def verify_record(request: Request, ctx: Ctx) -> CheckedView:
    """Check a record's file, sent as it is. Open to everybody; nothing of it is kept.

    A file above 8 MB is checked by `holdfast verify`.
    """
    return await checked(ctx, await request.body())


@router.get("/records/{number}", dependencies=[LOOK], responses=errors_of(401, 403, 404, 422, 503))
def read_record(ctx: Ctx, number: Number) -> RecordView:
    """One record."""
    with ctx.database() as conn:
        return _view(conn, number)


@router.get(
    "/records/{number}/file",
    dependencies=[LOOK],
    responses=errors_of(401, 403, 404, 422, 503) | {200: {"content": {"application/json": {}}}},
    response_class=Response,
)
def record_file(ctx: Ctx, number: Number) -> Response:
    """The record with its signature and every reading, as `/records/schema` describes it."""
    with ctx.database() as conn:
        made = stored(conn, number)
    return _attachment(making.file_of(made), "application/json", f"record-{made.job_id}-{made.number}.json")


@router.get(
    "/records/{number}/page",
    dependencies=[LOOK],
    responses=errors_of(401, 403, 404, 422, 503) | {200: {"content": {"application/pdf": {}}}},
    response_class=Response,
)
def record_page(request: Request, ctx: Ctx, number: Number, paper: Paper = None) -> Response:
    """The record on paper (PDF/A-2a), in the company's name and units."""
    with ctx.database() as conn:
        made, kept = stored(conn, number), company.of(conn)
    found_at = (ctx.config.public_url or str(request.base_url)).rstrip("/")
    address = f"{found_at}/verify?digest={made.digest}"
    pdf = making.pdf_of(made, kept, paper or kept.paper, address)
    return _attachment(pdf, "application/pdf", f"record-{made.job_id}-{made.number}.pdf")


# The company, calibrations --------------------------------------------------------------------------------


@router.get("/company", dependencies=[LOOK], responses=errors_of(401, 403, 503))
def read_company(ctx: Ctx) -> CompanyView:
    """What stands on records of the company."""
    with ctx.database() as conn:
        return _company(company.of(conn))


@router.put("/company", responses=errors_of(401, 403, 422, 503))
def write_company(ctx: Ctx, person: MayEquip, wish: CompanyView) -> CompanyView:
    """Write it down. Records that were made keep the name that they were made with."""
    with ctx.database() as conn:
        return _company(company.keep(conn, Company(**wish.model_dump()), by_of(ctx, person)))


@router.get(
    "/instruments/{number}/calibrations",
    dependencies=[LOOK],
    tags=["instruments"],
    responses=errors_of(401, 403, 422, 503),
)
def list_calibrations(ctx: Ctx, number: Number) -> list[CalibrationView]:
    """Calibrations of an instrument, the latest first."""
    with ctx.database() as conn:
        return [_calibration(one) for one in calibrations.of(conn, [number]).get(number, [])]


@router.post(
    "/instruments/{number}/calibrations",
    status_code=201,
    tags=["instruments"],
    responses=errors_of(401, 403, 404, 409, 422, 503),
)
def add_calibration(ctx: Ctx, person: MayEquip, number: Number, wish: CalibrationWish) -> CalibrationView:
    """Write a calibration down. It stands on the records of jobs that the instrument served since."""
    with ctx.database() as conn:
        made = calibrations.add(
            conn, number, wish.calibrated_on, wish.due_on, wish.certificate, by_of(ctx, person)
        )
        return _calibration(made)


# What pages use too -----------------------------------------------------------------------------------------


def made_of(ctx: Context, conn: Connection, person: Person, job_id: int) -> int:
    """Make a record; raises `Conflict` where there is no key."""
    if not ctx.config.record_key:
        raise Conflict(NO_KEY)
    by: By = by_of(ctx, person)
    return making.make(conn, Signer.read(ctx.config.record_key), job_id, person.name, by)


def stored(conn: Connection, number: int) -> Record:
    """A record; raises `NotFound`."""
    made = records.by_id(conn, number)
    if made is None:
        raise NotFound(f"There is no record {number}.")
    return made


async def checked(ctx: Context, raw: bytes) -> CheckedView:
    """Check a file against what is known here."""
    from starlette.concurrency import run_in_threadpool

    return await run_in_threadpool(_checked, ctx, raw)


def _checked(ctx: Context, raw: bytes) -> CheckedView:
    with ctx.database() as conn:
        found = signing.check(raw, lambda name: records.key(conn, name))
        made = records.by_digest(conn, found.digest)
        return CheckedView(
            number=found.number,
            digest=found.digest,
            unaltered=found.unaltered,
            signed_here=bool(found.key_known),
            known_here=made is not None,
            latest=None if made is None else records.is_latest(conn, made),
            key_id=found.key_id,
            findings=[FindingView(good=one.good, text=one.text) for one in found.findings],
        )


@cache
def schema() -> dict[str, Any]:
    """The JSON Schema of a record's file."""
    told: dict[str, Any] = json.loads(SCHEMA.read_text(encoding="utf-8"))
    return told


def _view(conn: Connection, number: int) -> RecordView:
    row = RECORDS.one(conn, {"job": None}, number)
    if row is None:
        raise NotFound(f"There is no record {number}.")
    return RecordView(**row)


def _company(known: Company) -> CompanyView:
    return CompanyView(**{name: getattr(known, name) for name in company.COLUMNS})


def _calibration(known: Calibration) -> CalibrationView:
    return CalibrationView(
        id=known.id, calibrated_on=known.calibrated_on, due_on=known.due_on, certificate=known.certificate
    )


def _attachment(raw: bytes, kind: str, name: str) -> Response:
    return Response(raw, media_type=kind, headers={"Content-Disposition": f'attachment; filename="{name}"'})
