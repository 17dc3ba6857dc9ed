"""Tables with provenance (TOML) and the few plain records that read them; standard library only."""
