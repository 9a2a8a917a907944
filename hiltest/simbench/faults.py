"""The faults of the simulated bench. `FAULTS` holds all of them by name; `hiltest faults` lists them."""

from __future__ import annotations

import hiltest.simbench.faults_adapter as adapter
import hiltest.simbench.faults_bus as bus
import hiltest.simbench.faults_console as console
import hiltest.simbench.faults_heat as heat
import hiltest.simbench.faults_motion as motion
import hiltest.simbench.faults_node as node
import hiltest.simbench.faults_supply as supply
from hiltest.simbench.fault_registry import (
    FAULTS,
    Fault,
    FaultOrder,
    apply_fault,
    find_fault,
    parse_fault,
    targets,
)

MODULES = (bus, adapter, node, console, supply, heat, motion)
"""Where the faults are written down, in the order of the list."""

__all__ = ["FAULTS", "Fault", "FaultOrder", "apply_fault", "find_fault", "parse_fault", "targets"]
