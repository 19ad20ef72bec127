"""Millimetres per pixel from a reference of known size, one file a reference kind."""
