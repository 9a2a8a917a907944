"""The fixture description: what is on the bench and what is right."""
