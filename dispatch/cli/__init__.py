"""The command line. Empty on purpose: ``dispatch --help`` must not load pandas."""
