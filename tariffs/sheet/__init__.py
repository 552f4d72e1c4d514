"""The tariff file: models, refusals, windows, holidays."""
