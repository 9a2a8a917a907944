"""The fixture description: what is on the bench and what is right.

`load_description` (in `hiltest.description.loading`) reads one. This package imports nothing by itself,
so that naming it costs nothing.
"""
