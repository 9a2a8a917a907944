"""The faults of the simulated bench. `FAULTS` holds all of them by name; `hiltest faults` lists them."""

from __future__ import annotations

from hiltest.simbench import faults_bus, faults_heat, faults_motion, faults_node, faults_supply
from hiltest.simbench.fault_registry import (
    FAULTS,
    Fault,
    FaultOrder,
    apply_fault,
    find_fault,
    parse_fault,
    targets,
)

MODULES = (faults_bus, faults_node, faults_supply, faults_heat, faults_motion)
"""Where the faults are written down, in the order of the list."""

__all__ = ["FAULTS", "Fault", "FaultOrder", "apply_fault", "find_fault", "parse_fault", "targets"]
