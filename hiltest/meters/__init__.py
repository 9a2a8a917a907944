"""Operator prompts, meters and supplies."""
