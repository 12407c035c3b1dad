"""The only place where files are opened."""
