"""Units: factors of NIST SP 811, appendix B; ISO 1; the difference that is not a temperature."""

from __future__ import annotations

import pytest

from loadbook.core import units
from loadbook.core.errors import UsageError


@pytest.mark.parametrize(
    ("fahrenheit", "celsius"), [(800.0, 426.667), (1100.0, 593.333), (68.0, 20.0), (250.0, 121.111)]
)
def test_a_temperature_is_converted_with_its_zero(fahrenheit: float, celsius: float) -> None:
    # NIST SP 811, appendix B; ISO 1: 20 °C is 68 °F
    assert units.c_from_f(fahrenheit) == pytest.approx(celsius, abs=5e-4)
    assert units.f_from_c(units.c_from_f(fahrenheit)) == pytest.approx(fahrenheit, abs=1e-9)


@pytest.mark.parametrize(
    ("fahrenheit", "celsius"),
    [(250.0, 138.889), (150.0, 83.333), (400.0, 222.222), (500.0, 277.778), (100.0, 55.556)],
)
def test_a_difference_is_converted_without_a_zero(fahrenheit: float, celsius: float) -> None:
    # NIST SP 811, appendix B
    assert units.c_diff_from_f_diff(fahrenheit) == pytest.approx(celsius, abs=5e-4)
    assert units.f_diff_from_c_diff(units.c_diff_from_f_diff(fahrenheit)) == pytest.approx(fahrenheit, abs=1e-9)


def test_a_quantity_must_say_whether_it_is_a_difference() -> None:
    assert units.parse_quantity("250 F", "temperature").value == pytest.approx(121.111, abs=5e-4)
    assert units.parse_quantity("250 F diff", "difference").value == pytest.approx(138.889, abs=5e-4)
    with pytest.raises(UsageError, match="is a temperature where a difference is needed"):
        units.parse_quantity("250 F", "difference")
    with pytest.raises(UsageError, match="is a difference where a temperature is needed"):
        units.parse_quantity("250 F diff", "temperature")
    with pytest.raises(UsageError, match="is not a temperature with its unit"):
        units.parse_quantity("250", "temperature")


@pytest.mark.parametrize(
    ("text", "dimension", "inside"),
    [
        ("130 F/h", "rate", 72.2222),
        ("2 °C/min", "rate", 120.0),
        ("1 in", "length", 25.4),
        ("1 ft", "length", 304.8),
        ("1 torr", "pressure", 1.333224),
        ("50 micron", "pressure", 0.0666612),
        ("2 h", "duration", 120.0),
        ("100 lb", "mass", 45.359237),
    ],
)
def test_units_as_the_trade_writes_them(text: str, dimension: str, inside: float) -> None:
    assert units.parse_quantity(text, dimension).value == pytest.approx(inside, rel=1e-5)


@pytest.mark.parametrize(
    ("text", "dimension", "mend"),
    [
        ("±25 F", "difference", "Write '25 F diff': each side"),
        ("+/- 25 F", "difference", "Write '25 F diff': each side"),
        ("Δ25 F", "difference", "Write '25 F diff'"),
        ("1100 F ±25", "temperature", "Write '1100 F'; a tolerance has keys of its own"),
        ("1 hr/inch", "duration", "rule = 'time*thickness'"),
        ("60 min per in", "duration", "rule = 'time*thickness'"),
        ("2 h 30 min", "duration", "Write '150 min'"),
        ("1,100 F", "temperature", "Write '1100 F' or '1.100 F'"),
        ("593,5 C", "temperature", "Write '593.5 C'"),
    ],
)
def test_what_people_write_otherwise_is_refused_with_how_it_is_written(text: str, dimension: str, mend: str) -> None:
    with pytest.raises(UsageError) as caught:
        units.parse_quantity(text, dimension)
    assert mend in str(caught.value)


def test_an_unknown_unit_names_the_known_ones() -> None:
    with pytest.raises(UsageError, match=r"'furlong' is not a unit of length. Write one of: mm, um"):
        units.convert(1.0, "furlong", "length")


def test_values_are_shown_in_the_books_units() -> None:
    assert units.show(138.888889, "c_diff", "us")[0] == pytest.approx(250.0)
    assert units.show(121.1111111, "c", "us")[0] == pytest.approx(250.0)
    assert units.show(25.4, "um", "us") == (pytest.approx(1.0), "0.001 in", 2)
