"""A report as data, then HTML and CSV."""
