"""The map that grows while the boat runs: small windows, drawn anew where soundings came in."""
