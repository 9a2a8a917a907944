"""What a node can do (verbs and units), and the drivers that say it in one protocol each."""
