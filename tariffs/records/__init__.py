"""Records of the public-domain US utility rate database as tariff files."""
