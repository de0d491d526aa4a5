"""Where to put the tripod and what to set before power-on, learned from past nights."""
