-- Version 3: who wrote a note; empty where nobody was asked, as for all notes before.
ALTER TABLE note ADD COLUMN written_by TEXT NOT NULL DEFAULT '';
