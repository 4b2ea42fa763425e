"""Who may do what: registered clients, their tokens, scopes, and links that a chart opens."""
