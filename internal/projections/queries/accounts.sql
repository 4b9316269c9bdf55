-- What became of the released pieces of runs and of their parts, and of boxes. moved_in and moved_out are pieces that went on
-- under another code. found is what counts found more, or with a minus less.
-- $1 codes
SELECT code,
    coalesce(sum(delta) FILTER (WHERE cause = 'released'), 0)::bigint AS released,
    coalesce(sum(delta) FILTER (WHERE cause = 'packed'), 0)::bigint AS packed,
    coalesce(-sum(delta) FILTER (WHERE cause = 'opened'), 0)::bigint AS opened,
    coalesce(sum(delta) FILTER (WHERE cause = 'parted' AND delta > 0), 0)::bigint AS parted_in,
    coalesce(-sum(delta) FILTER (WHERE cause = 'parted' AND delta < 0), 0)::bigint AS parted_out,
    coalesce(-sum(delta) FILTER (WHERE cause = 'sold'), 0)::bigint AS sold,
    coalesce(-sum(delta) FILTER (WHERE cause = 'given'), 0)::bigint AS given,
    coalesce(-sum(delta) FILTER (WHERE cause = 'discarded'), 0)::bigint AS discarded,
    coalesce(-sum(delta) FILTER (WHERE cause IN ('boxed', 'unboxed')), 0)::bigint AS boxed,
    coalesce(sum(delta) FILTER (WHERE cause IN ('counted', 'book_short', 'absorbed_by_count')), 0)::bigint AS found,
    sum(delta)::bigint AS on_hand
FROM movements
WHERE code = ANY ($1::text[]) AND grade <> '' AND NOT unreleased
GROUP BY code
ORDER BY code
