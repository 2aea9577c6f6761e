"""Sound: a stand-in made audible, and sound files."""
