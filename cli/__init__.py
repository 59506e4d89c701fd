"""From a person's wish to calls of vision and analysis; files, pages and words live here."""
