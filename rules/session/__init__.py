"""The session stays up."""
