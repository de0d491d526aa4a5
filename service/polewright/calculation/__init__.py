"""Pure calculations: arrays, directions and times in, arrays or frozen dataclasses out. No I/O."""
