"""Forward simulator of an invented observatory, and the scoring of products against its truth."""
