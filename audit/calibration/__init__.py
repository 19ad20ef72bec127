"""Millimetres per pixel, inclination and blur from a reference of known size, with their uncertainty."""
