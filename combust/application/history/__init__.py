"""A heater, and a fleet of heaters, over the winters."""
