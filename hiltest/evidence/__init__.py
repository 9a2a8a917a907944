"""What was measured, kept so that others can believe it."""
