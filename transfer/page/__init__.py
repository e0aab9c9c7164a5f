"""What every page is made of: look, blocks, words, glossary, pictures, hiding of small groups."""
