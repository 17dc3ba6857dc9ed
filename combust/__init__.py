"""combust: from a flue-gas reading at a small vehicle air heater to lambda, its uncertainty and what it can mean."""

__version__ = "0.1.0"
