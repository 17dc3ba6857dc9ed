"""The pages, one module for each: functions that take what was asked and return a response."""
