"""What hangs on a simulated node: the physics of heaters, sensors, fans, steppers, switches and lamps.

Every load keeps its own state in physical units and is brought up to the present when it is looked at.
A fault changes one of its physical quantities; nothing here knows what a check is.
"""
