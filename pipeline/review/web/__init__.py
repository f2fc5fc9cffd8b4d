"""The review server: pages, routes, login, sessions and security."""
