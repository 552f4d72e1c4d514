"""What parts do together: a bench without a household for charging times, runtimes and generators."""
