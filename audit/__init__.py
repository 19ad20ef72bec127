"""Audit of cast-gold restorations from dated photographs and bitewing crops. Start at `audit.api`."""

__version__ = "0.2.0"
