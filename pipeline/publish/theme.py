"""One look for every chart and page: colours by name, and the chart configuration that uses them.

A chart's specification holds colour names only, written `var(--c-ink)`. A page gives them values in its style
sheet, so light, dark and print need no redrawing; a static file gets the light values written in. The eight
hues are those of Okabe & Ito, "Color Universal Design" (2008); sky takes over from blue on dark ground, where
blue is too weak. Text is never set in a hue: only ink and soft are used for words, both at least 4.5 : 1 on
every ground they stand on (a test computes it)."""

from __future__ import annotations

import json
from typing import Any

LIGHT = {
    "paper": "#faf7f0",
    "card": "#fffdf8",
    "ink": "#1f1b16",
    "soft": "#5a5247",
    "hair": "#ddd5c5",
    "rule": "#8f8574",
    "link": "#00527f",
    "mark": "#fff1c9",
    "orange": "#e69f00",
    "sky": "#56b4e9",
    "green": "#009e73",
    "yellow": "#f0e442",
    "blue": "#0072b2",
    "red": "#d55e00",
    "purple": "#cc79a7",
    "grey": "#8c8c8c",
}
DARK = {
    "paper": "#171512",
    "card": "#1f1c18",
    "ink": "#f1ece2",
    "soft": "#b9b0a2",
    "hair": "#3a352e",
    "rule": "#7d7566",
    "link": "#8cc8f0",
    "mark": "#4a3a12",
    "orange": "#e09a00",
    "sky": "#6bb8e4",
    "green": "#22b48a",
    "yellow": "#cdbf2f",
    "blue": "#4d9fd6",
    "red": "#e8743b",
    "purple": "#d793b8",
    "grey": "#9a9a9a",
}
# On paper from a printer: white ground, black words.
PRINT = {**LIGHT, "paper": "#ffffff", "card": "#ffffff", "ink": "#000000", "soft": "#44403a", "hair": "#cfc8ba"}

COMPONENT_COLOURS = {
    "lamp": "orange",
    "igniter": "yellow",
    "ballast": "blue",
    "headlamp_assembly": "green",
    "wiring": "red",
    "control_module": "purple",
    "switch_or_fuse": "sky",
    "led_module": "yellow",
    "led_driver": "sky",
}
# A static picture must name a family that is there: an absent one would drop every word without a message. The first comes with the
# drawing library; the second is for letters that it lacks, from the machine's fonts.
FONT_STATIC = "Liberation Sans, sans-serif"
FONT_ANY = "DejaVu Sans, sans-serif"
FONT_PAGE = 'system-ui, "Segoe UI", Roboto, "Helvetica Neue", "DejaVu Sans", sans-serif'


def colour(name: str) -> str:
    """A colour by name, as it stands in a specification. Raises KeyError for a name that is not in the
    palette."""
    if name not in LIGHT:
        raise KeyError(name)
    return f"var(--c-{name})"


def component_colour(component: str) -> str:
    """The colour of a component; one that users added is grey (every mark carries its name as well)."""
    return colour(COMPONENT_COLOURS.get(component, "grey"))


def css_variables() -> str:
    """The palette as custom properties: light, dark, and print."""

    def block(palette: dict[str, str]) -> str:
        return "".join(f"--c-{name}:{value};" for name, value in palette.items())

    return (
        f":root{{{block(LIGHT)}}}\n"
        f"@media (prefers-color-scheme: dark){{:root{{{block(DARK)}}}}}\n"
        f"@media print{{:root{{{block(PRINT)}}}}}\n"
    )


def with_values(spec: dict[str, Any], palette: dict[str, str] = LIGHT) -> dict[str, Any]:
    """The specification with colours written in, for a file that no style sheet reaches."""
    text = json.dumps(spec, allow_nan=False)
    for name, value in palette.items():
        text = text.replace(f"var(--c-{name})", value)
    return json.loads(text)


def config(font: str = FONT_PAGE, title_frame: str = "group") -> dict[str, Any]:
    """The chart configuration: quiet axes, words in ink, no frame."""
    ink, soft, hair, rule = colour("ink"), colour("soft"), colour("hair"), colour("rule")
    return {
        "background": None,
        "font": font,
        "padding": {"left": 2, "right": 6, "top": 4, "bottom": 2},
        "view": {"stroke": None},
        "axis": {
            "labelColor": ink,
            "titleColor": soft,
            "gridColor": hair,
            "domainColor": rule,
            "tickColor": rule,
            "labelFontSize": 12,
            "titleFontSize": 12,
            "titleFontWeight": "normal",
            "labelLimit": 230,
            "labelPadding": 5,
            "titlePadding": 8,
            "tickSize": 4,
            "domain": False,
        },
        "axisX": {"grid": False, "domain": True, "titleAnchor": "end"},
        "axisQuantitative": {"grid": True},
        "legend": {
            "labelColor": ink,
            "titleColor": soft,
            "labelFontSize": 12,
            "titleFontSize": 12,
            "titleFontWeight": "normal",
            "symbolOpacity": 1,
            "orient": "top",
            "titleAnchor": "start",
            "offset": 6,
        },
        "text": {"color": ink, "fontSize": 12},
        "line": {"strokeWidth": 2.2, "interpolate": "step-after"},
        "rule": {"color": rule},
        "title": {
            "color": ink,
            "subtitleColor": soft,
            "fontSize": 15,
            "subtitleFontSize": 12,
            "anchor": "start",
            "offset": 12,
            "frame": title_frame,
        },
    }
