"""The HTTP interface, version 1."""
