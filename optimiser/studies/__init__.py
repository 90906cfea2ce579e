"""What an engineer measures on purpose: audits, gauges, double reviews, limits that flicker."""
