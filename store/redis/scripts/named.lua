-- Writes or deletes one named value if it is still what was read.
-- KEYS 1 value, 2 index, 3 expiring
-- ARGV 1 etag that was read ("any": whatever is there), 2 new etag,
--      3 moment at which it expires (never: does not), 4 key, 5 bytes (none: delete)
-- Answers 1 done, 2 done before, 0 stale.
-- A deleted value leaves its etag for a minute, so that the same delete sent
-- again is told from one that comes too late.
local never = 9007199254740992
local cur = redis.call('GETRANGE', KEYS[1], 0, 15)
local etag, there = string.sub(cur, 1, 8), #cur == 16
if etag == ARGV[2] then return 2 end
if not there then etag = '\0\0\0\0\0\0\0\0' end
if ARGV[1] ~= 'any' and etag ~= ARGV[1] then return 0 end

local expires, t = tonumber(ARGV[3]), redis.call('TIME')
local gone = expires <= t[1] * 1000 + math.floor(t[2] / 1000)
if #ARGV < 5 or gone then
  if there then
    redis.call('SET', KEYS[1], ARGV[2], 'PX', 60000)
    redis.call('ZREM', KEYS[2], ARGV[4])
    redis.call('ZREM', KEYS[3], ARGV[4])
  end
  return 1
end
local value = ARGV[2] .. struct.pack('>I8', expires) .. ARGV[5]
if expires == never then
  redis.call('SET', KEYS[1], value)
  redis.call('ZREM', KEYS[3], ARGV[4])
else
  -- the server lets a key live through the millisecond that it is given
  redis.call('SET', KEYS[1], value, 'PXAT', string.format('%.0f', expires - 1))
  redis.call('ZADD', KEYS[3], ARGV[3], ARGV[4])
end
redis.call('ZADD', KEYS[2], 0, ARGV[4])
return 1
