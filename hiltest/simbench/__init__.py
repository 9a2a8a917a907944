"""The simulated bench: line, controllers, firmware, loads, faults and doors."""
