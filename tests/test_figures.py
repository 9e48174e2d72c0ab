"""How numbers are written: the values are their own oracle, read back from the text."""

import pytest

from ribbonsim.bendcheck.figures import figure, figures, size_figure

MINUS = "\N{MINUS SIGN}"


@pytest.mark.parametrize(
    ("key", "value", "text"),
    [
        ("fold", 12.0, "12"),
        ("pinch", 0.8512, "0.85"),
        ("volume", 0.0213, "+2.1 %"),
        ("volume", -0.0213, f"{MINUS}2.1 %"),
        ("volume", -0.0001, "0.0 %"),
        ("shape", 0.0333, "3.3 %"),
        ("asymmetry", 0.0, "0.0 %"),
        ("contact", None, "\N{EN DASH}"),
    ],
)
def test_each_unit_is_written_its_own_way(key, value, text):
    assert figure(key, value) == text


@pytest.mark.parametrize(
    ("key", "values"),
    [
        ("squeeze", (0.4496, 0.45)),
        ("squeeze", (0.44996, 0.45, 0.52)),
        ("volume", (-0.05004, 0.05)),
        ("shape", (0.02003, 0.02)),
    ],
)
def test_figures_that_differ_read_differently_and_read_back(key, values):
    texts = figures(key, *values)
    assert len({text.lstrip("+" + MINUS) for text in texts}) == len(values)
    for text, value in zip(texts, values, strict=True):
        plain = text.replace(MINUS, "-")
        number = float(plain.rstrip(" %")) * (0.01 if plain.endswith("%") else 1.0)
        assert number == pytest.approx(value, abs=5e-5)


def test_equal_figures_and_counts_stay_short():
    assert figures("pinch", 0.85, 0.85) == ("0.85", "0.85")
    assert figures("fold", 3.0, 0.0) == ("3", "0")
    assert size_figure("volume", -0.05) == "5.0 %"
