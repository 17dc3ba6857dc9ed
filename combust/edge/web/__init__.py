"""The page in the hand: a small server that renders pages for a phone, judged as on the command line."""
