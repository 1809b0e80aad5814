"""The controller's hardware address."""
