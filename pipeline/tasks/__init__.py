"""What one worker does at a time: read, run stages, write. No scheduling here."""
