"""An exact sweep backward over the stored level, for tariffs linear in each step: arrays in, a schedule out."""
