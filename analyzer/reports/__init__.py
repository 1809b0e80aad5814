"""A diagnosis -> one document -> text, JSON."""
