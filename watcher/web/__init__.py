"""Pages for the phone and the desk."""
