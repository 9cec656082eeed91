"""From an alert to a notice that has arrived."""
