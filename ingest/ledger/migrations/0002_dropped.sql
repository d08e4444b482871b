-- Highest seq there had been when readings were last dropped: none is given
-- twice, even if the reading committed last is gone. One row.
CREATE TABLE dropped (
    seq INTEGER NOT NULL
) STRICT;
INSERT INTO dropped (seq) VALUES (0);
