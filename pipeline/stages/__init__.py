"""Pure numerical stages: arrays and frozen options in, arrays and frozen results out."""
