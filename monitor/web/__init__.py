"""Watch and act from a browser or phone."""
