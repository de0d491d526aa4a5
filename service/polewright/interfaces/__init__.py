"""Where people and other programs meet Polewright: terminal, page, report, published devices."""
