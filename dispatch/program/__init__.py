"""The mixed-integer linear program: the algebra stated once, solved warm."""
