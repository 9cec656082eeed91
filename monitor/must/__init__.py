"""What the liquid is: density, alcohol, honey."""
