"""The trainer's room in motion: a simulated heater to drive, its controller, its analyser, and stories to play."""
