"""The strategies as data on the program, solved with foresight."""
