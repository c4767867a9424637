"""Making a record of a job, and giving it out again as it was made."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

from api.conventions import SI, of_tag
from api.figures import Figures
from api.records import content, packing, sheet, signing, typeset
from api.records.signing import Signer
from store import records
from store.audit import By
from store.company import Company
from store.database import Connection
from store.records import Record


def make(conn: Connection, signer: Signer, job_id: int, made_by: str, by: By) -> int:
    """Gather, sign and store the record of a job as it is now; returns its number among all.

    The caller's transaction begins here: nothing was asked in it before.

    Raises
    ------
    NotFound, Conflict
        As `api.records.content.gather`.
    """
    # One look at the database, so that verdicts and readings belong together.
    conn.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ")
    number = records.next_number(conn, job_id)
    told, channels = content.gather(conn, job_id, number, made_by, by.at)
    body = signing.canonical(told)
    return records.add(
        conn,
        Record(
            id=0,
            job_id=job_id,
            number=number,
            made_at=by.at,
            body=body,
            digest=signing.digest_of(body),
            key_id=signing.key_id(signer.public),
            public_key=signer.public,
            signature=signer.sign(body),
            readings=packing.pack(channels),
        ),
        by,
    )


def file_of(made: Record) -> bytes:
    """The record as a file, with signature and readings."""
    channels = packing.unpack(made.readings)
    return signing.file_of(told_by(made), made.public_key, made.signature, channels)


def pdf_of(made: Record, kept: Company, paper: str, address: str) -> bytes:
    """The record's page."""
    told = sheet.display(
        told_by(made),
        packing.unpack(made.readings),
        figures_for(kept, made.made_at),
        digest=made.digest,
        key_id=made.key_id,
        address=address or f"sha256:{made.digest}",
        paper=paper,
    )
    return typeset.to_pdf(told, made.made_at)


def told_by(made: Record) -> dict[str, Any]:
    """What a stored record says."""
    told: dict[str, Any] = json.loads(made.body)
    return told


def figures_for(kept: Company, made_at: datetime) -> Figures:
    """How the company writes figures on what it hands out; dates always with their year."""
    conventions = of_tag(kept.locale) or SI
    return Figures(kept.preferences, conventions, None, made_at.year - 1)
