"""The brief: what is wanted. Schema, validation, defaults, and what a search needs."""

from optimizer.brief.joining import JoiningRules
from optimizer.brief.pins import Pin
from optimizer.brief.ranges import FreeDimension
from optimizer.brief.reading import (
    OpenBrief,
    brief_json_schema,
    brief_of,
    defaults_in_use,
    input_hashes,
    load_brief,
    open_brief,
    require_for_search,
    series_problems,
)
from optimizer.brief.schema import (
    Ageing,
    Brief,
    CatalogFiles,
    Constraints,
    Electrical,
    HarnessRules,
    Objectives,
    PartsSection,
    SearchRules,
    SpreadSection,
    Vary,
)
from optimizer.brief.situations import Situation, Use, brief_in
from optimizer.brief.spaces import (
    BoxCompartment,
    BoxKeepOut,
    BoxWalls,
    ClearanceRules,
    Envelope,
    FitRules,
    PrismCompartment,
    PrismKeepOut,
    SolidCompartment,
    SolidKeepOut,
)
from optimizer.brief.thermal import FillerSection, ThermalSection
from optimizer.brief.vehicle import RidePlan, VehicleSection

__all__ = [
    "Ageing",
    "BoxCompartment",
    "BoxKeepOut",
    "BoxWalls",
    "Brief",
    "CatalogFiles",
    "ClearanceRules",
    "Constraints",
    "Electrical",
    "Envelope",
    "FillerSection",
    "FitRules",
    "FreeDimension",
    "HarnessRules",
    "JoiningRules",
    "Objectives",
    "OpenBrief",
    "PartsSection",
    "Pin",
    "PrismCompartment",
    "PrismKeepOut",
    "RidePlan",
    "SearchRules",
    "Situation",
    "SolidCompartment",
    "SolidKeepOut",
    "SpreadSection",
    "ThermalSection",
    "Use",
    "Vary",
    "VehicleSection",
    "brief_in",
    "brief_json_schema",
    "brief_of",
    "defaults_in_use",
    "input_hashes",
    "load_brief",
    "open_brief",
    "require_for_search",
    "series_problems",
]
