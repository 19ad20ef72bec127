"""Append-only storage of what was recorded and measured."""
