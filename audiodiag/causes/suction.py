"""How far the pressure at the pump's inlet is from its limit: thick cold fluid, or a narrow line?

The fluid's viscosity at a temperature follows ASTM D341 from two known values; the suction hose takes the
pressure of laminar or turbulent pipe flow (Hagen and Poiseuille; Blasius). A steering pump wants at least
0.85 bar absolute at its inlet (data sheet of a maker of servo-steering vane pumps). Only the sound, empty
hose is counted: filter, bends and a collapsed lining come on top, and finding them is the point.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from audiodiag.errors import UsageError

__all__ = [
    "INLET_LIMIT_BAR",
    "SuctionLine",
    "SuctionMargin",
    "WaltherLaw",
    "density_kg_m3",
    "hose_drop_bar",
    "suction_margin",
    "velocity_m_s",
    "walther_law",
]

INLET_LIMIT_BAR = 0.85
"""Least absolute pressure at the inlet: data sheet of a maker of servo-steering vane pumps."""
SPREAD = 0.4
"""Standard deviation of the logarithm of the hose's drop: bore, length, fluid and flow are never known well.
An assumption: 5 % of bore make 20 %, 30 % of viscosity make 30 %."""
ZERO_C_IN_K = 273.15


@dataclass(frozen=True)
class WaltherLaw:
    """The line of ASTM D341: ``lg lg(v + 0.7 + c) = A - B lg T``, v in mm2/s, T in kelvin."""

    a: float
    b: float

    def viscosity_mm2_s(self, temperature_c: float) -> float:
        """Give the kinematic viscosity at a temperature; from 2 mm2/s down with the standard's correction.

        >>> law = walther_law(40.0, 32.0, 100.0, 5.4)
        >>> round(law.viscosity_mm2_s(80.0), 2)
        8.53
        """
        kelvin = temperature_c + ZERO_C_IN_K
        z = 10.0 ** (10.0 ** min(self.a - self.b * math.log10(kelvin), 2.3))
        guess = max(z - 0.7, 1e-3)
        if guess >= 2.0:
            return guess
        for _ in range(60):  # v + 0.7 + c(v) = z, rising in v
            guess = max(z - 0.7 - _small(guess), 1e-3)
        return guess


def _small(viscosity_mm2_s: float) -> float:
    """Correction c of ASTM D341 for thin fluids: ``exp(-1.47 - 1.84 v - 0.51 v^2)``."""
    v = viscosity_mm2_s
    return math.exp(-1.47 - 1.84 * v - 0.51 * v * v) if v < 2.0 else 0.0


def walther_law(
    first_c: float,
    first_mm2_s: float,
    second_c: float,
    second_mm2_s: float,
    *,
    zero_c_in_k: float = ZERO_C_IN_K,
) -> WaltherLaw:
    """Draw the line of ASTM D341 through two known viscosities (temperatures in C, viscosities in mm2/s).

    ``zero_c_in_k``: older worked examples count from 273.

    Raises
    ------
    UsageError
        If the fluid would not thin as it warms.

    Examples
    --------
    >>> law = walther_law(40.0, 32.0, 100.0, 5.4, zero_c_in_k=273.0)
    >>> round(law.a, 4), round(law.b, 4)
    (9.5259, 3.7449)
    """
    if not (first_c < second_c and first_mm2_s > second_mm2_s > 0.2):
        raise UsageError(
            "the two viscosities belong to no fluid",
            got=f"{first_mm2_s:g} mm2/s at {first_c:g} C and {second_mm2_s:g} mm2/s at {second_c:g} C",
            allowed="the thicker value at the lower temperature, both above 0.2 mm2/s",
            todo="copy both from the fluid's data sheet",
        )
    w1, w2 = (math.log10(math.log10(v + 0.7 + _small(v))) for v in (first_mm2_s, second_mm2_s))
    x1, x2 = (math.log10(t + zero_c_in_k) for t in (first_c, second_c))
    b = (w1 - w2) / (x2 - x1)
    return WaltherLaw(a=w1 + b * x1, b=b)


def density_kg_m3(temperature_c: float) -> float:
    """Give the density of a steering fluid: 875 kg/m3 at 0 C, falling 0.6 a kelvin (an assumption).

    >>> density_kg_m3(40.0)
    851.0
    """
    return 875.0 - 0.6 * temperature_c


def hose_drop_bar(
    *, bore_mm: float, length_m: float, flow_l_min: float, viscosity_mm2_s: float, density_kg_m3: float
) -> float:
    """Give the pressure that a smooth round hose takes, in bar.

    ``dp = f (L/D) rho v^2 / 2`` with ``f = 64/Re`` (laminar) or, where larger from Re 2300 on,
    ``f = 0.3164/Re^0.25`` (Blasius).

    >>> fluid = {"viscosity_mm2_s": 250, "density_kg_m3": 875}
    >>> round(hose_drop_bar(bore_mm=12, length_m=0.4, flow_l_min=8.64, **fluid) * 1e5)
    24757
    """
    speed = velocity_m_s(bore_mm=bore_mm, flow_l_min=flow_l_min)
    reynolds = speed * bore_mm * 1e-3 / (viscosity_mm2_s * 1e-6)
    if reynolds <= 0.0:
        return 0.0
    friction = 64.0 / reynolds
    if reynolds > 2300.0:
        friction = max(friction, 0.3164 / reynolds**0.25)
    return friction * length_m / (bore_mm * 1e-3) * density_kg_m3 * speed**2 / 2.0 / 1e5


def velocity_m_s(*, bore_mm: float, flow_l_min: float) -> float:
    """Give the mean velocity in a round hose.

    >>> round(velocity_m_s(bore_mm=12, flow_l_min=8.64), 4)
    1.2732
    """
    return flow_l_min / 60000.0 / (math.pi / 4.0 * (bore_mm * 1e-3) ** 2)


@dataclass(frozen=True)
class SuctionLine:
    """What is known of fluid, hose and pump; the defaults are a common small car (general knowledge).

    ``hose_length_m``: along the hose. ``viscosity_40_mm2_s``, ``viscosity_100_mm2_s``: from the fluid's data
    sheet. ``displacement_cm3``: what the pump moves in one turn. ``pump_rpm``: of the pump, not the engine.
    ``head_m``: how high the fluid in the reservoir stands above the pump. ``atmosphere_bar``: absolute; some
    0.12 bar less for every 1000 m of height.
    """

    fluid_temperature_c: float
    hose_bore_mm: float = 14.0
    hose_length_m: float = 0.4
    viscosity_40_mm2_s: float = 36.0
    viscosity_100_mm2_s: float = 7.5
    displacement_cm3: float = 9.6
    pump_rpm: float = 900.0
    head_m: float = 0.0
    atmosphere_bar: float = 1.0


RANGES: dict[str, tuple[float, float, str]] = {
    "fluid_temperature_c": (-45.0, 150.0, "C"),
    "hose_bore_mm": (4.0, 40.0, "mm"),
    "hose_length_m": (0.02, 3.0, "m"),
    "viscosity_40_mm2_s": (5.0, 500.0, "mm2/s"),
    "viscosity_100_mm2_s": (1.0, 60.0, "mm2/s"),
    "displacement_cm3": (2.0, 40.0, "cm3"),
    "pump_rpm": (100.0, 10000.0, "rpm"),
    "head_m": (-0.5, 1.0, "m"),
    "atmosphere_bar": (0.86, 1.08, "bar"),
}
"""Lowest and highest value of each field of `SuctionLine`, with its unit."""


@dataclass(frozen=True)
class SuctionMargin:
    """What the hose does to the inlet, and what it would take to reach the limit.

    ``inlet_bar``: absolute; below 0 means that the flow is impossible and the fluid tears. ``margin_bar``:
    above the limit. ``used_share``: of the drop that may be spent. ``limit_temperature_c``: where the hose
    alone spends it all, NaN outside -45 to 150 C. ``limit_bore_mm``: to what bore the hose would have to be
    narrowed, all along, to reach the limit at this temperature. ``cold_probability``: that thick fluid in a
    sound hose uses the margin up, given how badly all this is known.
    """

    line: SuctionLine
    viscosity_mm2_s: float
    flow_l_min: float
    velocity_m_s: float
    reynolds: float
    drop_bar: float
    inlet_bar: float
    margin_bar: float
    used_share: float
    limit_temperature_c: float
    limit_bore_mm: float
    cold_probability: float

    def text(self) -> str:
        """Say it in sentences."""
        line = self.line
        said = (
            f"At {line.fluid_temperature_c:g} C the fluid has about {self.viscosity_mm2_s:.3g} mm2/s. "
            f"{self.flow_l_min:.1f} l/min through {line.hose_length_m:g} m of {line.hose_bore_mm:g} mm hose "
            f"costs {self.drop_bar:.2f} bar; {'only ' if self.used_share > 1.0 else ''}"
            f"{self.drop_bar / self.used_share:.2f} bar can be spared: "
        )
        if self.inlet_bar <= 0.0:
            said += "more than the atmosphere can give. "
        else:
            said += (
                f"{self.inlet_bar:.2f} bar absolute at the pump, {abs(self.margin_bar):.2f} bar "
                f"{'above' if self.margin_bar >= 0 else 'BELOW'} the limit of {INLET_LIMIT_BAR:g}. "
            )
        if self.cold_probability >= 0.5:
            said += "Cold, thick fluid alone can explain a groan: listen again when it is warm."
        elif self.cold_probability <= 0.05:
            said += (
                "A sound hose cannot explain a groan at this temperature; it would have to be narrowed to "
                f"{self.limit_bore_mm:.1f} mm: look for a blocked filter, a collapsed hose or air."
            )
        else:
            said += (
                "Cold fluid may explain a groan, a narrowed line may as well: listen again when it is warm."
            )
        if math.isfinite(self.limit_temperature_c):
            said += f" The hose alone reaches the limit at about {self.limit_temperature_c:.0f} C."
        if line.fluid_temperature_c < 0.0:
            said += " Below 0 C the viscosity is a rough estimate."
        return said


def suction_margin(line: SuctionLine) -> SuctionMargin:
    """Give the pressure at the pump's inlet and how far it is from the limit.

    Raises
    ------
    UsageError
        If a value is out of the range of `RANGES`, or the two viscosities belong to no fluid.

    Examples
    --------
    >>> cold = suction_margin(SuctionLine(fluid_temperature_c=-10.0, hose_bore_mm=12.0))
    >>> cold.margin_bar < 0 < suction_margin(SuctionLine(fluid_temperature_c=60.0)).margin_bar
    True
    """
    for name, (low, high, unit) in RANGES.items():
        value = getattr(line, name)
        if not low <= value <= high:
            raise UsageError(
                f"the suction line's {name} cannot be used",
                got=f"{value:g} {unit}",
                allowed=f"{low:g} to {high:g} {unit}",
                todo="measure it again in that unit, or leave it out",
            )
    law = walther_law(40.0, line.viscosity_40_mm2_s, 100.0, line.viscosity_100_mm2_s)
    flow_l_min = line.displacement_cm3 * line.pump_rpm / 1000.0

    def drop(temperature_c: float, bore_mm: float) -> float:
        return hose_drop_bar(
            bore_mm=bore_mm,
            length_m=line.hose_length_m,
            flow_l_min=flow_l_min,
            viscosity_mm2_s=law.viscosity_mm2_s(temperature_c),
            density_kg_m3=density_kg_m3(temperature_c),
        )

    here_c, bore_mm = line.fluid_temperature_c, line.hose_bore_mm
    viscosity = law.viscosity_mm2_s(here_c)
    speed = velocity_m_s(bore_mm=bore_mm, flow_l_min=flow_l_min)
    taken_bar = drop(here_c, bore_mm)
    supply_bar = line.atmosphere_bar + density_kg_m3(here_c) * 9.80665 * line.head_m / 1e5
    spare_bar = max(supply_bar - INLET_LIMIT_BAR, 1e-3)
    share = taken_bar / spare_bar
    return SuctionMargin(
        line=line,
        viscosity_mm2_s=viscosity,
        flow_l_min=flow_l_min,
        velocity_m_s=speed,
        reynolds=speed * bore_mm * 1e3 / viscosity,
        drop_bar=taken_bar,
        inlet_bar=supply_bar - taken_bar,
        margin_bar=supply_bar - taken_bar - INLET_LIMIT_BAR,
        used_share=share,
        limit_temperature_c=_where(lambda c: drop(c, bore_mm) - spare_bar, -45.0, 150.0),
        limit_bore_mm=_where(lambda mm: drop(here_c, mm) - spare_bar, 0.5, 100.0),
        cold_probability=0.5 * math.erfc(-math.log(share) / SPREAD / math.sqrt(2.0)),
    )


def _where(falling: Callable[[float], float], low: float, high: float) -> float:
    """Halve the interval until a falling function is 0; NaN where it is not within."""
    if not falling(low) > 0.0 > falling(high):
        return math.nan
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if falling(middle) > 0.0 else (low, middle)
    return 0.5 * (low + high)
