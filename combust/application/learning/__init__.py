"""What the visits of a logbook teach: structure of the heaters, scatter of the channels, frequencies of the causes."""
