"""What the maker does next: doses, weights, volumes, pressures, cautions, and the plan."""
