"""Pictures drawn as SVG, as PNG and with characters: all from the one description that pages draw from too."""
