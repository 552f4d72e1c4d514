"""Files as people write them, and what is wrong with them."""
