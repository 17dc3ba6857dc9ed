"""What the air at a site does to a heater stage: lambda, gases, heat, trims, ceiling."""
