"""The PC's own address."""
