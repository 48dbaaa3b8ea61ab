"""Pages and plots: what algorithms report besides their layers."""
