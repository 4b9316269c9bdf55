-- What became of all that there ever was of some things, released or not: pieces, boxes or milligrams.
-- $1 codes
SELECT code,
    coalesce(sum(delta) FILTER (WHERE cause IN ('received', 'made', 'turned_out', 'packed')), 0)::bigint AS made,
    coalesce(sum(delta) FILTER (WHERE cause IN ('parted', 'opened') AND delta > 0), 0)::bigint AS parted_in,
    coalesce(-sum(delta) FILTER (WHERE delta < 0 AND (cause = 'parted' OR cause = 'opened' AND grade = '')), 0)::bigint AS parted_out,
    coalesce(-sum(delta) FILTER (WHERE cause = 'sold'), 0)::bigint AS sold,
    coalesce(-sum(delta) FILTER (WHERE cause = 'given'), 0)::bigint AS given,
    coalesce(-sum(delta) FILTER (WHERE cause = 'discarded'), 0)::bigint AS discarded,
    coalesce(-sum(delta) FILTER (WHERE cause IN ('boxed', 'unboxed')), 0)::bigint AS boxed,
    coalesce(-sum(delta) FILTER (WHERE cause = 'opened' AND grade <> '' AND delta < 0), 0)::bigint AS opened,
    coalesce(-sum(delta) FILTER (WHERE cause IN ('drawn', 'returned')), 0)::bigint AS used,
    coalesce(-sum(delta) FILTER (WHERE cause IN ('counted', 'book_short', 'absorbed_by_count')), 0)::bigint AS missing,
    sum(delta)::bigint AS on_hand
FROM movements
WHERE code = ANY ($1::text[])
GROUP BY code
ORDER BY code
