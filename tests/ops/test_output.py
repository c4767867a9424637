"""Values as commands print them."""

from __future__ import annotations

import pytest

from ops.output import text


@pytest.mark.parametrize(
    ("value", "said"), [(-0.0, "0"), (0.0, "0"), (-1.5, "-1.5"), (None, "–"), (True, "yes")]
)
def test_values_for_people(value: object, said: str) -> None:
    assert text(value) == said
