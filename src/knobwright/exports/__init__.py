"""A record as text or bytes of one format, one file a format; pure like the core."""
