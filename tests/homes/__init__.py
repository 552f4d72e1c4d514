"""Invented homes, tariffs and files that tests are run on."""
