"""The recording itself: what it can and cannot show."""
