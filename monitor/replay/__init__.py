"""Recordings in and out, the replayed clock, simulated ferments."""
