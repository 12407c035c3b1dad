"""One geometry for everything: how a star crosses the chip, and where its charge is read."""
