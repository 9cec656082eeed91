"""One batch: its sheet, what was done to it, what is due when."""
