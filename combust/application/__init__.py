"""What the physics means for people: interpreting readings (and later causes, fleets, history, lessons)."""
