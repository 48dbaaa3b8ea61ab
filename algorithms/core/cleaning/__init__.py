"""Gates and filters that flag soundings and never delete them."""
