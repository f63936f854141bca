-- Ends the lease of a person in a lane: the index shows the due time again.
-- KEYS 1 record, 2 due or due!   ARGV 1 person, 2 lane
-- Answers 1 if that made the person claimable earlier.
local due = redis.call('GETRANGE', KEYS[1], 16 + 8 * ARGV[2], 23 + 8 * ARGV[2])
local score = redis.call('ZSCORE', KEYS[2], ARGV[1])
if not score or #due < 8 then return 0 end
due = struct.unpack('>I8', due)
if due >= tonumber(score) then return 0 end
redis.call('ZADD', KEYS[2], string.format('%.0f', due), ARGV[1])
return 1
