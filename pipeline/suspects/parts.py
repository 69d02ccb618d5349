"""What a headlamp can have in it, and the words that every file of this room shares. Standard library alone: the answer at the
bench starts with it."""

from __future__ import annotations

import re

SIDES = ("left", "right")
UNSIDED = ("control_module", "switch_or_fuse")
OTHER = "other"  # a cause that is none of the components
BOTH_DARK = "both_low_beams_dark"
NONE = "none"
ALL = "all"
# Which component can be in which headlamp. Common practice, no source. Components that are not listed can be
# in any.
_ONLY_IN = {
    "igniter": ("discharge",),
    "ballast": ("discharge",),
    "led_module": ("led",),
    "led_driver": ("led",),
    "lamp": ("halogen", "discharge"),
}
# These discharge light sources carry their igniter (UN R99 category sheets): there is no separate one to
# fail.
OWN_IGNITER = re.compile(r"^D[1358]", re.IGNORECASE)


def is_possible(component: str, lighting: str | None, light_source_category: str | None = None) -> bool:
    """Whether such a headlamp can have this component as a part of its own. Unknown lighting or category
    rules nothing out."""
    if lighting not in (None, "unknown") and lighting not in _ONLY_IN.get(component, (lighting,)):
        return False
    return not (component == "igniter" and light_source_category and OWN_IGNITER.match(light_source_category))
