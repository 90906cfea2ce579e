"""What the numbers may be trusted for: intervals with lots as the unit."""
