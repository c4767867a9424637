"""The page of a record as PDF/A-2a (ISO 19005-2: for keeping, tagged, fonts embedded), by typst."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

TEMPLATE = Path(__file__).with_name("sheet.typ")
NO_FONT = (
    "Some letters of this record could not be shown with the fonts of the machine that made this page. "
    "They are in the file of the record."
)


def to_pdf(told: Mapping[str, Any], made_at: datetime) -> bytes:
    """Typeset what `api.records.sheet.display` says.

    Where no font has some of the letters it says so; such a page is plain PDF, since PDF/A wants all shown.
    """
    # Takes some 30 ms and 60 MB once: only who makes a page loads it.
    import typst

    try:
        return _compiled({**told, "remark": ""}, made_at, ["a-2a"])
    except typst.TypstError as error:
        if "could not be displayed" not in str(error):
            raise
        return _compiled({**told, "remark": NO_FONT}, made_at, [])


def _compiled(told: Mapping[str, Any], made_at: datetime, standards: list[Literal["a-2a"]]) -> bytes:
    import typst

    return typst.compile(
        TEMPLATE.read_bytes(),
        format="pdf",
        sys_inputs={"told": json.dumps(told, ensure_ascii=False)},
        pdf_standards=list(standards),
        timestamp=made_at.replace(microsecond=0),
    )
