"""Where combust meets people and files: command line, tables, figures, notebook helpers."""
