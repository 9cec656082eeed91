"""Thresholds chosen from one's own recordings: evidence once, then a sweep that fits nothing."""
