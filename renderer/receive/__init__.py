"""The receive chain: from echoes to grey. Knows arrays and its own settings only."""
