"""Values with uncertainty, the frozen records, and the trade's words."""
