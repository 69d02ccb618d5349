"""Contrast, and colours that the colour-blind can tell apart."""

from __future__ import annotations

import pytest

from pipeline.publish import theme


def luminance(colour: str) -> float:
    """Relative luminance of WCAG 2.2 (w3.org/TR/WCAG22, definition of relative luminance)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def over(colour: str, ground: str, opacity: float) -> str:
    mix = [round(opacity * int(colour[i : i + 2], 16) + (1 - opacity) * int(ground[i : i + 2], 16)) for i in (1, 3, 5)]
    return "#" + "".join(f"{c:02x}" for c in mix)


@pytest.mark.parametrize("palette", [theme.LIGHT, theme.DARK, theme.PRINT], ids=["light", "dark", "print"])
def test_words_reach_aa_on_every_ground(palette):
    for ground in ("paper", "card", "mark"):
        for word in ("ink", "link") if ground == "mark" else ("ink", "soft", "link"):
            assert contrast(palette[word], palette[ground]) >= 4.5, (word, ground)
    # Words in the cells of the suspicion map (0.42) and of the tiles (at most 0.5) stand on hues mixed with
    # paper.
    for hue in ("orange", "sky", "green", "yellow", "blue", "red", "purple", "grey"):
        assert contrast(palette["ink"], over(palette[hue], palette["paper"], 0.5)) >= 4.5, hue


def test_the_hues_are_those_of_okabe_and_ito():
    # Okabe & Ito, Color Universal Design, 2008: orange, sky blue, bluish green, yellow, blue, vermillion,
    # reddish purple
    hues = ("orange", "sky", "green", "yellow", "blue", "red", "purple")
    assert [theme.LIGHT[h] for h in hues] == [
        "#e69f00",
        "#56b4e9",
        "#009e73",
        "#f0e442",
        "#0072b2",
        "#d55e00",
        "#cc79a7",
    ]


def test_contrast_against_a_published_value():
    # WCAG 2: black on white is 21 : 1; #767676 on white is the lightest grey that passes 4.5 (from memory,
    # widely quoted)
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") > 4.5 > contrast("#777777", "#ffffff")


def test_palettes_name_the_same_colours():
    assert set(theme.LIGHT) == set(theme.DARK) == set(theme.PRINT)
    with pytest.raises(KeyError):
        theme.colour("pink")


def test_static_colours_are_written_in():
    assert theme.with_values({"a": ["var(--c-ink)", 1]}) == {"a": [theme.LIGHT["ink"], 1]}
