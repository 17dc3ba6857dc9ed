"""What closed visits teach: confirmed causes, how often the engine was right, structure, what may leave a book."""
