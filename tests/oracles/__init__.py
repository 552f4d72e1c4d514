"""Second opinions: none shares a line with the product."""
