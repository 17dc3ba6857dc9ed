"""One reading or a million interpreted: columns in, lambda with its uncertainty and findings out."""
