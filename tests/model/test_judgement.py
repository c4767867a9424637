"""What is certain of a cause that has no single name."""

from __future__ import annotations

import pytest

from api.words import cause_in_words
from model.judgement import Cause, named_together


def shares(**given: float) -> dict[str, float]:
    return {"leak": 0.0, "moisture": 0.0, "leak+moisture": 0.0, "tight": 0.0, "outgassing": 0.0} | given


@pytest.mark.parametrize(
    ("probabilities", "expected"),
    [
        (shares(leak=0.54, tight=0.01) | {"leak+moisture": 0.45}, (Cause.LEAK, 0.99)),
        (shares(moisture=0.5, leak=0.05) | {"leak+moisture": 0.45}, (Cause.MOISTURE, 0.95)),
        (shares(leak=0.4, moisture=0.4, outgassing=0.2), None),
        (shares(leak=0.69, tight=0.31), None),
    ],
)
def test_a_leak_is_certain_when_only_moisture_beside_it_is_not(
    probabilities: dict[str, float], expected: tuple[Cause, float] | None
) -> None:
    found = named_together(probabilities)
    assert (found and (found[0], round(found[1], 9))) == expected


def test_a_page_says_what_is_certain_of_an_unclear_cause() -> None:
    leak = shares(leak=0.54, tight=0.01) | {"leak+moisture": 0.45}
    assert cause_in_words(Cause.UNCLEAR, leak)[0] == "leak, with or without moisture"
    assert cause_in_words(Cause.UNCLEAR, shares(leak=0.4, moisture=0.4)) == ("cause unclear", None)
    assert cause_in_words(Cause.MOISTURE, shares(moisture=0.96)) == ("moisture", 0.96)
