"""The nouns that pass between the stages: data only, frozen, without I/O."""
