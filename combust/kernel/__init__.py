"""Physics as functions on floats and arrays; numpy only, no files, no state."""
