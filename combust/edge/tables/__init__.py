"""Tables in and out: CSV of any spreadsheet and Parquet, streamed in blocks, every row accounted for."""
