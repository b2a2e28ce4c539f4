"""From a wish to a film: a box of free keys is searched by theory and by films that are run."""
