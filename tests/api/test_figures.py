"""Figures for a reader: units, steps, settings, sentences, numbers and dates."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analytics.core.figures import pressure_text
from api.conventions import SI, Conventions, asked_for, of_tag
from api.figures import COARSEST_ACCURACY, VOLUME_UNITS, Figures, stepped, typed
from api.sentences import find, tell
from model.equipment import ZERO_OFFSET_PA
from model.errors import BadInput
from physics.units import MICRON_PA, PRESSURE_UNITS, TORR_PA, from_pascal, to_fahrenheit
from store.preferences import NONE_CHOSEN, PRESSURE, TEMPERATURE, VOLUME, Preferences

# Never by the wall clock: other work may run beside the tests.
patient = settings(deadline=None)

THIN, NO_BREAK = "\u202f", "\u00a0"
GERMAN, AMERICAN = of_tag("de-DE"), of_tag("en-US")
REGISTRY: pint.UnitRegistry[float] = pint.UnitRegistry()
readings = st.floats(0.5, 1.5e6)
accuracies = st.sampled_from([0.005, 0.01, 0.03, 0.05, 0.1, 0.15, 0.25])


def reader(
    conventions: Conventions | None = SI, zone: str | None = "Europe/Berlin", **chosen: object
) -> Figures:
    """Somebody with these choices, in Berlin, in 2026."""
    return Figures(NONE_CHOSEN.changed(chosen), conventions or SI, zone, 2026)


def plain(text: str) -> str:
    """With spaces that keyboards have."""
    return text.replace(THIN, " ").replace(NO_BREAK, " ")


def value(number: tuple[int, int]) -> float:
    return float(f"{number[0]}e{number[1]}")


# Units -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("unit", PRESSURE)
@patient
@given(pascal=readings)
def test_exact_figures_agree_with_pint(unit: str, pascal: float) -> None:
    # pint 0.25's registry; its micron of mercury is a thousandth of the conventional millimetre.
    names = {
        "micron": "millimeter_Hg",
        "Torr": "torr",
        "mbar": "millibar",
        "hPa": "hectopascal",
        "kPa": "kPa",
    }
    expected = REGISTRY.Quantity(pascal, "pascal").to(names.get(unit, "pascal")).magnitude
    expected *= 1000 if unit == "micron" else 1
    shown = reader(pressure_unit=unit, exact=True).pressure_number(pascal).replace(THIN, "")
    assert float(shown) == pytest.approx(expected, rel=1e-9)


def test_mbar_is_hpa_and_a_torr_is_not_quite_a_thousand_micron() -> None:
    pascal = 66.7
    numbers = {unit: reader(pressure_unit=unit, exact=True).pressure_number(pascal) for unit in PRESSURE}
    assert numbers["mbar"] == numbers["hPa"]
    # NIST SP 811, B.8: torr = 101 325/760 Pa; conventional mmHg = 13 595.1 × 9.806 65 × 10⁻³ Pa.
    assert float(numbers["Torr"]) == pytest.approx(pascal / (101_325 / 760), rel=1e-11)
    assert float(numbers["micron"]) == pytest.approx(pascal / (13_595.1 * 9.80665e-6), rel=1e-11)
    assert numbers["micron"] != str(float(numbers["Torr"]) * 1000)


@patient
@given(kelvin=st.floats(150.0, 400.0))
def test_degrees_fahrenheit_agree_with_pint(kelvin: float) -> None:
    expected = REGISTRY.Quantity(kelvin, "kelvin").to("degree_Fahrenheit").magnitude
    assert to_fahrenheit(kelvin) == pytest.approx(expected, abs=1e-9)


def test_temperatures_and_their_differences_read_in_the_chosen_unit() -> None:
    # Fixed points: ice 0 °C = 32 °F, steam 100 °C = 212 °F (NIST SP 811, B.9).
    fahrenheit = reader(temperature_unit="°F")
    assert plain(fahrenheit.temperature(273.15)) == "32.0 °F"
    assert plain(fahrenheit.temperature(373.15)) == "212.0 °F"
    assert plain(fahrenheit.temperature_difference(5.0)) == "9 °F"
    assert plain(reader().temperature(268.15)) == "−5.0 °C"
    assert plain(reader().temperature_difference(5.0)) == "5 K"


def test_volumes_agree_with_pint() -> None:
    for unit, name in (("L", "litre"), ("ft³", "foot ** 3")):
        expected = REGISTRY.Quantity(1.0, name).to("meter ** 3").magnitude
        assert VOLUME_UNITS[unit] == pytest.approx(expected, rel=1e-12)
    assert plain(reader(volume_unit="ft3").volume(0.4 * 0.3048**3)) == "0.4 ft³"
    assert plain(reader().volume(0.012)) == "12 L"


# Steps -----------------------------------------------------------------------------------------------------


@patient
@given(reading=readings, accuracy=accuracies)
def test_a_step_hides_nothing_that_the_gauge_knows(reading: float, accuracy: float) -> None:
    # GUM (JCGM 100:2008), 4.3.7: limits ± a of equal probability have u = a/√3; 7.2.6: digits that suit u.
    shown = value(stepped(reading, accuracy))
    uncertainty = accuracy * reading / math.sqrt(3)
    assert abs(shown - reading) <= uncertainty / 4 * (1 + 1e-9)
    # Rounding by a step s adds s²/12 to the variance: at most a hundredth of u, which two digits do not show.
    step = 2 * uncertainty / 4
    assert math.hypot(uncertainty, step / math.sqrt(12)) < 1.011 * uncertainty


@patient
@given(reading=readings, accuracy=accuracies)
def test_a_step_says_no_more_than_a_tenth_of_what_the_gauge_knows(reading: float, accuracy: float) -> None:
    _, power = stepped(reading, accuracy)
    # The last digit that is shown is worth at least a hundredth of the uncertainty's decade.
    assert 10.0**power >= accuracy * reading / math.sqrt(3) / 101


@patient
@given(power=st.integers(-2, 5), mantissa=st.sampled_from([1, 2, 5]), accuracy=accuracies)
def test_where_the_step_changes_the_figure_does_not_jump(power: int, mantissa: int, accuracy: float) -> None:
    corner = float(f"{mantissa}e{power}")
    below, above = (stepped(corner * (1 + part), accuracy) for part in (-1e-9, 1e-9))
    assert value(below) == pytest.approx(corner, rel=1e-12)
    assert value(above) == pytest.approx(corner, rel=1e-12)


@pytest.mark.parametrize(
    ("reading", "accuracy", "shown"),
    [
        (503.2, 0.1, "500"),
        (507.0, 0.1, "510"),
        (503.2, 0.01, "503"),
        (87.31, 0.03, "87.4"),
        (1234.0, 0.15, "1 240"),
    ],
)
def test_examples_of_steps(reading: float, accuracy: float, shown: str) -> None:
    assert SI.write(*stepped(reading, accuracy)).replace(THIN, " ") == shown


@patient
@given(reading=readings, mark=readings, accuracy=accuracies, near=st.floats(-0.05, 0.05))
def test_a_figure_never_stands_on_the_wrong_side_of_a_limit(
    reading: float, mark: float, accuracy: float, near: float
) -> None:
    mark = reading * (1 + near) if near else mark
    if abs(reading - mark) < 1e-4 * mark:
        return
    shown = value(stepped(reading, accuracy, 0.0, (mark,)))
    assert (shown > mark) == (reading > mark)
    assert (shown < mark) == (reading < mark)


def test_near_zero_the_zero_offset_decides_and_a_wild_accuracy_does_not_empty_the_figure() -> None:
    # A thermal gauge's zero may be off by 2 micron (the rule's own allowance).
    assert reader(pressure_unit="micron").pressure_number(1.23 * MICRON_PA, 0.1) == "1.0"
    assert SI.write(*stepped(503.2, 0.99)) == SI.write(*stepped(503.2, COARSEST_ACCURACY))
    assert reader(pressure_unit="Pa").pressure_number(-1.02) == "−1.00"
    assert reader(pressure_unit="Pa").pressure_number(0.0) == "0.00"


def test_in_every_unit_the_step_is_that_of_the_unit() -> None:
    assert plain(reader(pressure_unit="hPa").pressure_text(67.09, 0.1)) == "0.67 hPa"
    assert plain(reader(pressure_unit="Torr").pressure_text(67.09, 0.1)) == "0.50 Torr"
    assert plain(reader(pressure_unit="kPa").pressure_text(101_325.0, 0.1)) == "102 kPa"


@patient
@given(pascal=readings)
def test_exact_on_request_gives_the_stored_value_back(pascal: float) -> None:
    shown = reader(pressure_unit="Pa", exact=True).pressure_number(pascal).replace(THIN, "")
    assert float(shown) == pytest.approx(pascal, rel=1e-11)
    full = reader(pressure_unit="hPa").exact_text(pascal).replace(THIN, "")
    assert float(full.partition("stored: ")[2].removesuffix("Pa")) == pascal


# Settings --------------------------------------------------------------------------------------------------


@patient
@given(
    digits=st.integers(1, 99_999),
    power=st.integers(-3, 1),
    typed_in=st.sampled_from(PRESSURE),
    read_in=st.sampled_from(PRESSURE),
)
def test_a_setting_is_never_rounded_below_what_was_typed(
    digits: int, power: int, typed_in: str, read_in: str
) -> None:
    entered = float(f"{digits}e{power}")
    pascal = entered * PRESSURE_UNITS[typed_in]
    shown = float(reader(pressure_unit=read_in).setting_number(pascal).replace(THIN, ""))
    if typed_in == read_in:
        assert shown == pytest.approx(entered, rel=1e-12)
    # Back in the unit that it was typed in it rounds to what was typed.
    back = shown * PRESSURE_UNITS[read_in] / PRESSURE_UNITS[typed_in]
    count = len(str(digits).rstrip("0"))
    assert float(f"{back:.{count}g}") == pytest.approx(entered, rel=1e-12)


def test_settings_read_as_people_know_them() -> None:
    for unit, text in (
        ("micron", "2 500"),
        ("Torr", "2.5"),
        ("Pa", "333.3"),
        ("hPa", "3.333"),
        ("kPa", "0.3333"),
    ):
        assert plain(reader(pressure_unit=unit).setting_number(2500 * MICRON_PA)) == text
    assert value(typed(TORR_PA, PRESSURE_UNITS["Torr"], [1.0])) == 1.0


# Sentences -------------------------------------------------------------------------------------------------

VERDICT = (
    "Failed: 12 min after the valve closed the pressure went over the permitted {limit} and stayed there for "
    "60 s; it started at {start}."
)


def test_a_stored_sentence_reads_in_the_readers_unit_from_the_stored_numbers() -> None:
    start, limit = 57.391, 1000 * MICRON_PA
    text = VERDICT.format(limit=pressure_text(limit), start=pressure_text(start))
    told = find(text, [start], [limit], 0.1)
    assert [one.value for one in told] == [limit, start]
    hectopascal = plain(tell(text, reader(GERMAN, pressure_unit="hPa"), told))
    assert "permitted 1,333 hPa and" in hectopascal
    assert "started at 0,57 hPa." in hectopascal
    assert "Pa)" not in hectopascal
    assert "micron" not in hectopascal
    assert "1 000 micron (133.3 Pa)" in plain(tell(text, Figures(), told))


def test_what_a_sentence_says_of_other_things_is_left_alone() -> None:
    text = "The smallest steady leak that this hold would have failed is 1.59e-03 Pa·m³/s (1.6e-02 mbar·l/s)."
    assert tell(text, reader(pressure_unit="hPa")) == text


@pytest.mark.parametrize(
    ("text", "metric", "customary"),
    [
        ("At -3 °C, as cold as it is.", "At −3.0 °C, as cold as it is.", "At 26.6 °F, as cold as it is."),
        ("It cooled by more than 5 K.", "It cooled by more than 5 K.", "It cooled by more than 9 °F."),
        ("It fell by 0.7 K.", "It fell by 0.7 K.", "It fell by 1.26 °F."),
        ("By 2.22e-03 Pa/s; no volume.", "By 0.0013 hPa/min; no volume.", "By 1.0 micron/min; no volume."),
        ("It changed by +12 micron (+1.6 Pa).", "It changed by +0.016 hPa.", "It changed by +12 micron."),
        ("It fell below 50 kPa.", "It fell below 500 hPa.", "It fell below 375 000 micron."),
        ("500 micron held for 60 s", "0.667 hPa held for 60 s", "500 micron held for 60 s"),
    ],
)  # fmt: skip
def test_every_kind_of_figure_in_sentences(text: str, metric: str, customary: str) -> None:
    assert plain(tell(text, reader(pressure_unit="hPa"))) == metric
    assert plain(tell(text, reader(pressure_unit="micron", temperature_unit="°F"))) == customary


@patient
@given(pascal=st.floats(0.5, 2e5))
def test_a_figure_of_which_only_the_sentence_is_left_is_close(pascal: float) -> None:
    (one,) = find(f"It read {pressure_text(pascal)} then.")
    assert one.value == pytest.approx(pascal, abs=0.07 if pascal < 1000 else 0.5)


# Numbers and dates -----------------------------------------------------------------------------------------


def test_numbers_and_dates_in_two_locales() -> None:
    afternoon = datetime(2026, 11, 24, 13, 5, 9, tzinfo=UTC)
    german, american = reader(GERMAN), reader(AMERICAN)
    assert german.number(1234.5, 5) == "1.234,5"
    assert american.number(1234.5, 5) == "1,234.5"
    assert plain(german.when(afternoon, "Europe/Berlin")) == "Tue 24 Nov, 14:05"
    assert plain(american.when(afternoon, "Europe/Berlin")) == "Tue, Nov 24, 2:05 PM"
    assert plain(american.when(afternoon, "Europe/Berlin", seconds=True)) == "Tue, Nov 24, 2:05:09 PM"
    assert plain(reader(of_tag("sv-SE")).when(afternoon, "Europe/Berlin")) == "Tue 2026-11-24, 14:05"
    assert plain(german.when(afternoon - timedelta(days=400), "Europe/Berlin")).startswith(
        "Mon 20 Oct 2025, "
    )
    assert reader(of_tag("en-IN")).setting_number(101_325.0) == "7,60,000"


def test_the_offset_of_the_site_stands_where_the_readers_clock_differs() -> None:
    noon = datetime(2026, 7, 1, 12, tzinfo=UTC)
    assert plain(reader(zone="Europe/Berlin").when(noon, "Europe/Madrid")) == "Wed 1 Jul, 14:00"
    assert plain(reader(zone="Europe/Berlin").when(noon, "America/St_Johns")) == "Wed 1 Jul, 09:30 UTC−2:30"
    assert plain(reader(zone=None).when(noon, "Asia/Kolkata")) == "Wed 1 Jul, 17:30 UTC+5:30"
    # The same zone twice a year: Lagos keeps no summer time, Berlin does.
    lagos = reader(zone="Africa/Lagos")
    assert plain(lagos.when(datetime(2026, 1, 1, 12, tzinfo=UTC), "Europe/Berlin")) == "Thu 1 Jan, 13:00"
    assert plain(lagos.when(noon, "Europe/Berlin")) == "Wed 1 Jul, 14:00 UTC+2"


@pytest.mark.parametrize(
    ("header", "tag"),
    [
        (None, "si"),
        ("", "si"),
        ("de-DE,de;q=0.9,en;q=0.8", "de-DE"),
        ("en;q=0.5, fr-CH;q=0.9", "fr-CH"),
        ("xx-YY, de;q=0", "si"),
        ("*", "si"),
        ("../../etc/passwd", "si"),
        ("a" * 5000, "si"),
        (",".join(["zz"] * 1000) + ",de-DE", "si"),
    ],
)
def test_the_browsers_language_is_followed_as_far_as_it_is_known(header: str | None, tag: str) -> None:
    assert asked_for(header).tag == tag


@pytest.mark.parametrize("tag", ["", "de_DE", "xx", "de-", "deutsch", "de-DE\0", "..", "de-DE" * 20, "root"])
def test_what_names_no_locale_is_none(tag: str) -> None:
    assert of_tag(tag) is None


# Choices ---------------------------------------------------------------------------------------------------


def test_units_can_be_spelled_as_people_do() -> None:
    chosen = NONE_CHOSEN.changed({"pressure_unit": "TORR", "temperature_unit": "F", "volume_unit": "ft3"})
    assert (chosen.pressure_unit, chosen.temperature_unit, chosen.volume_unit) == ("Torr", "°F", "ft³")
    assert chosen.beside_unit is None
    assert NONE_CHOSEN.changed({"pressure_unit": "Pa", "beside_unit": "pa"}).beside_unit is None


@pytest.mark.parametrize("field", ["pressure_unit", "beside_unit", "temperature_unit", "volume_unit"])
@pytest.mark.parametrize("wrong", ["", "psi", "furlong", "K", "\0", "micron; DROP TABLE person"])
def test_a_unit_that_cannot_be_chosen_is_refused_at_its_field(field: str, wrong: str) -> None:
    with pytest.raises(BadInput) as refused:
        NONE_CHOSEN.changed({field: wrong})
    assert refused.value.field == field


def test_every_choice_can_be_written() -> None:
    for pressure in PRESSURE:
        for temperature in TEMPERATURE:
            for volume in VOLUME:
                figures = Figures(Preferences(pressure, None, temperature, volume))
                assert figures.pressure_text(from_pascal(133.0, "Pa")).endswith(f"{THIN}{pressure}")
                assert figures.temperature(290.0).endswith(f"{THIN}{temperature}")
                assert figures.volume(0.01).endswith(f"{THIN}{volume}")
    assert pytest.approx(2 * MICRON_PA, rel=2e-3) == ZERO_OFFSET_PA
