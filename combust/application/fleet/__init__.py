"""Planning a fleet: which vehicles, at which sites, with what margin; pandas is imported only here and below."""
