"""The least size of a vehicle for a driving test in each category: a table, and a look-up.

Directive 2006/126/EC, Annex II. Category D's figures are from memory (they match national lists); the others are
confirmed in the texts named in each row. Mass, speed and equipment are asked for too, and not looked at here.
"""

from __future__ import annotations

from dataclasses import dataclass

from analysis.vehicle import Vehicle


@dataclass(frozen=True)
class LeastSize:
    """Least length and width (m) in a category, of the whole combination where there is a trailer of at least
    trailer_m; width None: none is stated."""

    length_m: float
    width_m: float | None
    source: str
    trailer_m: float | None = None


CATEGORIES = {
    "C1": LeastSize(5.0, None, "gov.uk, rules for lorries used for driving tests"),
    "C": LeastSize(8.0, 2.40, "2006/126/EC Annex II, as FeV Anlage 7 no. 2.2 has it"),
    "D1": LeastSize(5.0, None, "2006/126/EC Annex II, on a secondary page (minibuswebsite.com)"),
    "CE": LeastSize(14.0, 2.40, "2006/126/EC Annex II, as wordscope.be quotes it", 7.5),
    "D": LeastSize(10.0, 2.40, "2006/126/EC Annex II, from memory"),
}


def categories_met(vehicle: Vehicle) -> tuple[str, ...]:
    """The categories for whose tests the vehicle is long and wide enough, whatever kind of vehicle it is."""
    return tuple(name for name, least in CATEGORIES.items() if _meets(vehicle, least))


def _meets(vehicle: Vehicle, least: LeastSize) -> bool:
    trailer, wanted = vehicle.trailer, least.trailer_m
    coupled_alike = wanted is None if trailer is None else wanted is not None and trailer.length_m >= wanted
    return (coupled_alike and vehicle.overall_length_m >= least.length_m
            and vehicle.overall_width_m >= (least.width_m or 0.0))
