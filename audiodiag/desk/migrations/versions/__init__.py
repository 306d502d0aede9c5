"""One file a step; a step that was shipped is never changed again."""
