"""From grids to lines: where temperature breaks, colour changes and the currents gather floating matter."""

from __future__ import annotations

from importlib import import_module
from typing import Any

#: where each name lives; loaded when first used, since little of it is needed at sea
_HOMES = {
    "attraction": "convergence",
    "find_attracting_lines": "lagrangian",
    "find_color_changes": "color",
    "find_convergence_lines": "convergence",
    "find_cores": "cores",
    "find_curves": "cores",
    "find_fronts": "finding",
    "find_temperature_breaks": "temperature",
    "find_water_masses": "masses",
    "floating_density": "floating",
    "over_rotation": "cores",
    "stretching": "lagrangian",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    """Load a name from the module it lives in (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module 'searcher.fronts' has no attribute {name!r}")
    return getattr(import_module(f"searcher.fronts.{_HOMES[name]}"), name)
