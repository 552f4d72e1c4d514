"""What of a tariff a program has to know, as plain arrays."""
