"""At the heater: steady or not, start and cool-down, supply voltage, the record and what it must be told."""
