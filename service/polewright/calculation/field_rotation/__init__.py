"""The polar axis from frames of tracked targets: by how they turn, and drift where unguided."""
