"""What the sound says about the pump and its belt, in one call: drive, slip and belt passes."""

from __future__ import annotations

from dataclasses import dataclass

from numpy.typing import ArrayLike

from audiodiag.orders.drive import PumpDrive, find_drive, pump_angle
from audiodiag.orders.passes import BeltPasses, find_belt_passes
from audiodiag.orders.slip import SHORTEST_REV, BeltSlip, measure_slip
from audiodiag.records import DriveFinding, Phases, PumpReading, Span, SpeedTrace
from audiodiag.signal.whole import WholeSpectrum, whole_spectrum
from audiodiag.vehicle import Vehicle

__all__ = ["DriveTrain", "drive_finding", "find_drive_train"]


@dataclass(frozen=True)
class DriveTrain:
    """Pump, slip of its belt (None where no tone of the pump is heard that could sag), belt passes."""

    pump: PumpDrive
    slip: BeltSlip | None
    belt: BeltPasses


def find_drive_train(
    sound: ArrayLike | WholeSpectrum,
    rate_hz: float,
    speed: SpeedTrace,
    *,
    phases: Phases | None = None,
    vehicle: Vehicle | None = None,
    squeal_spans_s: tuple[Span, ...] | None = None,
) -> DriveTrain:
    """Find how the pump is driven, whether its belt slips, and how often the belt passes.

    Parameters
    ----------
    sound:
        Shape (n,), full scale is 1, or its whole spectrum, which saves the dearest step.
    rate_hz:
        Sample rate of ``sound``.
    speed:
        Engine speed; where it is not known at all, the three answers say that they cannot tell.
    phases, vehicle:
        As for `find_drive`.
    squeal_spans_s:
        When the belt squeals; None looks for stretches of slip, an empty tuple measures no slip.

    Raises
    ------
    ClipError
        If there are fewer than 8 samples.

    >>> import numpy as np
    >>> none = np.zeros(0)
    >>> trace = SpeedTrace("none", 0.0, none, none, none, none, none)
    >>> found = find_drive_train(np.ones(8000), 8000, trace)
    >>> found.pump.heard, found.slip, found.belt.repeats
    (False, None, 'none')
    """
    whole = sound if isinstance(sound, WholeSpectrum) else whole_spectrum(sound, rate_hz)
    angle = pump_angle(whole, rate_hz, speed)
    pump = find_drive(angle, phases=phases, vehicle=vehicle)
    slip = None
    asked = squeal_spans_s is None or len(squeal_spans_s) > 0
    long_enough = angle is not None and angle.length_rev >= SHORTEST_REV
    if asked and long_enough and pump.heard and pump.tone_order is not None and angle is not None:
        slip = measure_slip(angle, pump.tone_order, squeal_spans_s=squeal_spans_s)
    return DriveTrain(pump=pump, slip=slip, belt=find_belt_passes(whole, rate_hz, speed, vehicle=vehicle))


def drive_finding(train: DriveTrain) -> DriveFinding:
    """Give what was found as the plain record that crosses rooms; sentences only of what stands out.

    >>> import numpy as np
    >>> none = np.zeros(0)
    >>> trace = SpeedTrace("none", 0.0, none, none, none, none, none)
    >>> drive_finding(find_drive_train(np.ones(8000), 8000, trace)).texts
    ()
    """
    pump, slip, belt = train.pump, train.slip, train.belt
    spans = slip.spans if slip is not None and slip.greatest_percent is not None else ()
    texts = [pump.text] if pump.heard else []
    texts += [slip.text] if spans and slip is not None else []
    texts += [belt.text] if belt.repeats != "none" else []
    return DriveFinding(
        pump_presence=pump.presence,
        pump_order=pump.order,
        pump_order_sd=pump.order_sd,
        pump_order_probability=pump.order_probability,
        told_apart=pump.told_apart,
        readings=tuple(PumpReading(r.ratio, r.vanes, r.probability) for r in pump.readings),
        slip_percent=slip.greatest_percent if slip is not None else None,
        slip_sd_percent=slip.greatest_sd_percent if slip is not None else None,
        slip_spans_s=tuple((span.start_s, span.end_s) for span in spans),
        belt_repeats=belt.repeats,
        belt_order=belt.order,
        belt_order_sd=belt.order_sd,
        belt_length_mm=belt.belt_length_mm,
        texts=tuple(texts),
    )
