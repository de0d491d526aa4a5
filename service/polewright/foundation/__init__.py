"""Units, time, errors, files, the configuration: what every floor stands on."""
