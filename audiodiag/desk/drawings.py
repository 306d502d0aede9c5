"""Which drawing stands beside a question: the parts that it is about, and what to look for there.

The drawings themselves are our own plain lines, in ``templates/drawings.html``.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["DETAILS", "LOOKS", "PARTS", "Look", "look_at"]

PARTS: dict[str, str] = {
    "reservoir": "reservoir of the fluid",
    "suction_hose": "suction hose",
    "pump": "pump with its pulley",
    "belt": "belt",
    "crank": "crank pulley",
    "tensioner": "tensioner",
    "pressure_line": "pressure line",
    "gear": "steering gear with its rack",
    "boots": "boots of the rack",
    "return_line": "return line",
    "cooler": "cooler",
    "wheel": "steering wheel",
}
"""Parts of the schematic, in the order in which the fluid meets them, with their words."""

DETAILS: dict[str, str] = {
    "levels": "Three reservoirs: fluid between the marks, below the lower mark, above the upper mark.",
    "foam": "Two reservoirs: clear fluid with a flat surface; fluid with bubbles and foam on it.",
    "cloth": "Drops on a white cloth: clear, dark, and one with specks of metal.",
    "hose": "The suction hose seen from the side: round and firm; flattened in its middle.",
    "joints": "The end of a hose on its stub, with the clamp; a drop hangs where it leaks.",
    "tension": "A belt between two pulleys: straight and taut; hanging through.",
    "ribs": "The ribbed side of a belt: whole ribs; cracked ribs and a frayed edge.",
    "spray": "A spray bottle held well away from the belt; drops fly to its ribs.",
    "straightedge": "A straightedge laid over two pulleys: flat on both; standing off the second.",
    "play": "A pulley seen from the side; arrows show that it is rocked, engine off.",
    "arm": "A tensioner's arm: standing still; swinging to and fro.",
    "turned": "The steering wheel: straight; turned to one stop; turned to the other.",
    "off_the_stop": "The steering wheel at its stop, and an arrow that shows it coming a little off it.",
    "speed": "A dial of engine speed whose hand rises from idle.",
    "weather": "A thermometer, cold and hot.",
    "calendar": "A sheet of a calendar with a spanner on it: work that was done lately.",
    "label": "A bottle of fluid with its label, held beside the maker's list.",
    "ear": "A tube led from the ear to a part, the hand far from all that turns.",
    "holder": "A line in its holder, clear of the body; a line that touches the body.",
    "dent": "A line with free flow; a line with a dent.",
    "gauge": "A pressure gauge between pump and line, as a workshop fits it.",
    "new_fluid": "Old fluid runs out below while fresh fluid is filled in above.",
    "bubbles_out": "Bubbles rise out of the fluid while the wheel is turned from stop to stop.",
    "leak": "Three places of drops: at a shaft, at a joint, on a belt.",
}
"""Drawings of details, with what they show, for those who do not see them."""


@dataclass(frozen=True)
class Look:
    """Parts to mark on the schematic, and the detail to draw beside it."""

    parts: tuple[str, ...]
    detail: str


LOOKS: dict[str, Look] = {
    "fluid_level": Look(("reservoir",), "levels"),
    "fluid_bubbles": Look(("reservoir",), "foam"),
    "fluid_colour": Look(("reservoir",), "cloth"),
    "fluid_smell": Look(("reservoir",), "cloth"),
    "fluid_particles": Look(("reservoir",), "cloth"),
    "fluid_type": Look(("reservoir",), "label"),
    "fresh_leak": Look(("pump", "suction_hose", "pressure_line", "return_line", "boots", "belt"), "leak"),
    "wheel_effort": Look(("wheel",), "turned"),
    "noise_and_warmth": Look(("reservoir", "pump", "belt"), "weather"),
    "noise_and_speed": Look(("crank", "belt", "pump"), "speed"),
    "noise_onset": Look(("wheel", "pump", "belt"), "turned"),
    "recent_work": Look(("reservoir", "pump", "belt"), "calendar"),
    "suction_hose": Look(("suction_hose",), "hose"),
    "suction_joints": Look(("suction_hose",), "joints"),
    "belt_look": Look(("belt",), "ribs"),
    "belt_tension": Look(("belt",), "tension"),
    "belt_when_wet": Look(("belt",), "spray"),
    "pulleys_in_line": Look(("crank", "pump", "tensioner"), "straightedge"),
    "tensioner_arm": Look(("tensioner",), "arm"),
    "pulley_play": Look(("pump", "tensioner", "crank"), "play"),
    "noise_off_the_stop": Look(("wheel",), "off_the_stop"),
    "noise_with_wheel_at_rest": Look(("wheel",), "turned"),
    "loudest_place": Look(("pump", "belt", "tensioner", "gear", "pressure_line"), "ear"),
    "line_contact": Look(("pressure_line", "return_line"), "holder"),
    "after_bleeding": Look(("reservoir", "wheel"), "bubbles_out"),
    "after_new_fluid": Look(("reservoir",), "new_fluid"),
    "return_line": Look(("return_line", "cooler"), "dent"),
    "pump_pressure": Look(("pump", "pressure_line"), "gauge"),
}
"""For every question of the knowledge its drawing."""


def look_at(question: str) -> Look:
    """Give what to draw beside a question; one that is not known here shows the whole schematic.

    >>> look_at("belt_tension").parts
    ('belt',)
    """
    return LOOKS.get(question, Look((), ""))
