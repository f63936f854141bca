-- Removes from the index the keys of named values that have expired.
-- KEYS 1 expiring, 2 index   ARGV 1 how many at most
local t = redis.call('TIME')
local now = string.format('%.0f', t[1] * 1000 + math.floor(t[2] / 1000))
local passed = redis.call('ZRANGE', KEYS[1], '-inf', now, 'BYSCORE', 'LIMIT', 0, ARGV[1])
for _, key in ipairs(passed) do
  redis.call('ZREM', KEYS[2], key)
  redis.call('ZREM', KEYS[1], key)
end
return #passed
