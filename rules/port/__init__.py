"""The port opens."""
