"""Formulas of the trade in pure numpy: no I/O, every formula names its source."""
