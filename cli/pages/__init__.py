"""Pages that people read: each is one file that opens offline, with its pictures, figures and clip inside."""
