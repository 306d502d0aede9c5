"""The order domain: sound per crank revolution, its lines, its modulation, and the orders of the parts."""
