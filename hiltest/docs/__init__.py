"""The manual, as files that travel with the package."""
