"""What checks and remedies cost, in one stated currency; a file of one's own replaces the shipped bands.

A price of the ranking is the middle of what is paid, one's own minutes at a stated worth, and a surcharge for
how invasive the thing is, which nobody pays but which keeps cheap, reversible and safe things in front.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from audiodiag.causes.schema import RANKS, only_known, parsed, refused

__all__ = ["Band", "Prices", "read_prices"]

MOST = 1e9


@dataclass(frozen=True)
class Band:
    """Least and most that is paid."""

    low: float
    high: float


@dataclass(frozen=True, eq=False)
class Prices:
    """All prices in one currency; ``minute`` is what a minute of one's own is taken to be worth."""

    currency: str
    minute: float
    surcharge: Mapping[str, float]
    check: Mapping[str, Band]
    remedy: Mapping[str, Band]
    source: str

    def weight(self, band: Band, minutes: float, rank: str) -> float:
        """Give what a thing counts for: money, minutes and surcharge, in the currency.

        >>> Prices("EUR", 0.5, {"work": 20.0}, {}, {}, "an example").weight(Band(5, 15), 30, "work")
        45.0
        """
        return 0.5 * (band.low + band.high) + self.minute * minutes + self.surcharge[rank]


def read_prices(
    path: Path, *, checks: Iterable[str], remedies: Iterable[str], base: Prices | None = None
) -> Prices:
    """Read a file of prices and validate it.

    Parameters
    ----------
    checks, remedies:
        Names that need a price.
    base:
        The shipped prices; what the file leaves out is taken from them, times the file's ``rate`` (units of
        its currency for one of theirs), which must be stated where the currencies differ.

    Raises
    ------
    KnowledgeError
        If the file cannot be read, names what is not there, leaves a price out, or a price is no band.
    """
    place = path.name
    document = parsed(path, place)
    only_known(place, document, ("source", "currency", "minute", "rate", "surcharge", "check", "remedy"))
    currency = document.get("currency")
    if not isinstance(currency, str) or not 1 <= len(currency.strip()) <= 8:
        raise refused(
            place,
            "does not state its currency",
            got=str(currency) if currency is not None else "nothing",
            allowed='a short text such as currency = "EUR"',
            todo="state the currency of all prices in the file",
        )
    rate = _number(place, "rate", document.get("rate", 1.0))
    if base is not None and currency != base.currency and "rate" not in document:
        raise refused(
            place,
            f"is in {currency}, the shipped prices are in {base.currency}",
            got="no rate",
            allowed=f"rate = units of {currency} for one {base.currency}",
            todo="state the rate, by which all prices that the file leaves out are converted",
        )
    bands = {
        kind: _bands(place, kind, document.get(kind, {}), names, getattr(base, kind) if base else {}, rate)
        for kind, names in (("check", tuple(checks)), ("remedy", tuple(remedies)))
    }
    extra = _table(place, "surcharge", document.get("surcharge", {}))
    only_known(f"{place}: [surcharge]", extra, RANKS)
    kept = {rank: value * rate for rank, value in base.surcharge.items()} if base else {}
    surcharge = kept | {rank: _number(place, f"[surcharge] {rank}", value) for rank, value in extra.items()}
    missing = [rank for rank in RANKS if rank not in surcharge]
    minute = document.get("minute", base.minute * rate if base else None)
    if missing or minute is None:
        raise refused(
            place,
            "leaves something out",
            got=", ".join(document) or "nothing",
            allowed=f"minute, and [surcharge] for {', '.join(RANKS)}",
            todo=f"add {', '.join(missing) or 'minute'}",
        )
    source = document.get("source", f"prices of the file {place}")
    if not isinstance(source, str) or not source.strip():
        raise refused(
            place, "has no source", got=str(source), allowed="a text", todo="say where prices are from"
        )
    return Prices(currency.strip(), _number(place, "minute", minute), surcharge, **bands, source=source)


def _table(place: str, key: str, content: Any) -> dict[str, Any]:
    if not isinstance(content, dict):
        raise refused(
            place,
            f"{key} is no section",
            got=str(content),
            allowed=f"[{key}]",
            todo=f"write [{key}] on a line",
        )
    return content


def _number(place: str, key: str, value: Any) -> float:
    good = isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= MOST
    if not good or (key == "rate" and value == 0) or not math.isfinite(value):
        raise refused(
            place, f"{key} cannot be used", got=str(value), allowed="a number from 0 up", todo="correct it"
        )
    return float(value)


def _bands(
    place: str, kind: str, content: Any, names: tuple[str, ...], base: Mapping[str, Band], rate: float
) -> dict[str, Band]:
    """Read the bands of one section; those it leaves out come from the shipped ones."""
    table = _table(place, kind, content)
    only_known(f"{place}: [{kind}]", table, names)
    bands = {name: Band(band.low * rate, band.high * rate) for name, band in base.items()}
    for name, value in table.items():
        at = f"[{kind}] {name}"
        if not isinstance(value, list) or len(value) != 2:
            raise refused(
                place, f"{at} is no band", got=str(value), allowed="[least, most]", todo="write two numbers"
            )
        low, high = (_number(place, at, end) for end in value)
        if low > high:
            raise refused(
                place,
                f"{at}: the least is above the most",
                got=f"{low:g} and {high:g}",
                allowed="the lower price first",
                todo="exchange the two",
            )
        bands[name] = Band(low, high)
    for name in names:
        if name not in bands:
            raise refused(
                place, f"[{kind}] has no price for {name}", got=", ".join(table) or "nothing",
                allowed="a price for every name", todo=f"add {name} = [least, most]",
            )  # fmt: skip
    return bands
