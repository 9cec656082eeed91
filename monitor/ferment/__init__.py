"""What the ferment does: readings to evidence to verdict to alert."""
