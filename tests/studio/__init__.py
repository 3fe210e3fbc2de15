"""Studio: scripted, rendered clips of an invented player with exactly known form."""
