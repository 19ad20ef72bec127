"""(pixels, Calibration, Trace) to Readings, one file a measurand family."""
