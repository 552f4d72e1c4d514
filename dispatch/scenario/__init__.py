"""What a person says of a home: the scenario file."""
