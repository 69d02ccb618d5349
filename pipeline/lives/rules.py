"""Facts of the trade that the life models need as data: which parts have sides, and which a lighting type carries."""

from __future__ import annotations

SIDED = ("lamp", "igniter", "ballast", "headlamp_assembly", "wiring", "led_module", "led_driver")
UNSIDED = ("control_module", "switch_or_fuse")
BUILT_IN = SIDED + UNSIDED

_EVERY = ("headlamp_assembly", "wiring", "control_module", "switch_or_fuse")
# Common practice, no source: halogen lamps run straight from the supply, discharge lamps from a ballast and an igniter,
# LED headlamps from a driver. `unknown` lighting is given only what every headlamp has.
FITTED_TO = {
    "halogen": ("lamp", *_EVERY),
    "discharge": ("lamp", "igniter", "ballast", *_EVERY),
    "led": ("led_module", "led_driver", *_EVERY),
    "unknown": _EVERY,
}
