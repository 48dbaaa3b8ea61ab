"""Windows and widgets: what a person sees beside the toolbox."""
