"""What turns the two adjusters: hands, a command, or motors that a package brings."""
