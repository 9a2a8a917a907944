"""Ways by which programs reach the simulated bench."""
