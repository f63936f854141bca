-- Removes kept episodes of one partition whose moment has come.
-- KEYS 1 keeping   ARGV 1 how many at most, 2 how the key of kept episodes begins
local t = redis.call('TIME')
local now = string.format('%.0f', t[1] * 1000 + math.floor(t[2] / 1000))
local passed = redis.call('ZRANGE', KEYS[1], '-inf', now, 'BYSCORE', 'LIMIT', 0, ARGV[1])
for _, member in ipairs(passed) do
  local size = string.byte(member, 1)
  redis.call('HDEL', ARGV[2] .. string.sub(member, 2, 1 + size), string.sub(member, 2 + size))
  redis.call('ZREM', KEYS[1], member)
end
return #passed
