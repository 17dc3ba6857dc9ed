"""What closed visits teach: which causes were confirmed, how often the engine was right, what may leave a book."""
