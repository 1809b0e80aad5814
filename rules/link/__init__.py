"""Cable and link."""
