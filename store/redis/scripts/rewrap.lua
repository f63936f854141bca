-- Puts another wrapping in the place of a key's, if it is still what was read.
-- KEYS 1 the hash
-- ARGV 1 key ID, 2 what was read, 3 the new wrapping
if redis.call('HGET', KEYS[1], ARGV[1]) == ARGV[2] then
  redis.call('HSET', KEYS[1], ARGV[1], ARGV[3])
end
return 1
