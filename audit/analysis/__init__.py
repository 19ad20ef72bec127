"""Statistics: records in, frozen results out; nothing is computed inside a plot."""
