"""Append-only storage."""
