"""The acceptance tests, one module a group."""
