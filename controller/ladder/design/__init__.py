"""Designing series ladders: which rungs make every temperature, and are quiet on the way."""

from controller.ladder.design.catalogue import (
    SERIES,
    Catalogue,
    Part,
    catalogue_of_series,
    load_drawer,
    without_part,
)
from controller.ladder.design.demand import Demand, demand_of
from controller.ladder.design.ladders import Build, designed_ladder
from controller.ladder.design.search import Aim, Found, search_rungs

__all__ = [
    "SERIES",
    "Aim",
    "Build",
    "Catalogue",
    "Demand",
    "Found",
    "Part",
    "catalogue_of_series",
    "demand_of",
    "designed_ladder",
    "load_drawer",
    "search_rungs",
    "without_part",
]
