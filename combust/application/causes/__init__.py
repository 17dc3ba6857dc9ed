"""From evidence to causes: which fault explains a visit, what cannot be told apart, what to check and adjust next."""
