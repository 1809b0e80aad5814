"""The controller answers."""
