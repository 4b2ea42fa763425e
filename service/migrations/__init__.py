"""Numbered steps of the database schema."""
