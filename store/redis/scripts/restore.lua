-- Puts a person in place of whatever is there, exactly as they were elsewhere.
-- KEYS 1 record, 2 due!, 3 due, 4 log, 5 kept, 6 keeping
-- ARGV 1 the new value, 2 and 3 due a lane, 4 person, 5 number of log lines
--      and the lines, then ID, value and moment of each kept episode
local never, person = 9007199254740992, ARGV[4]
redis.call('SET', KEYS[1], ARGV[1])
for _, id in ipairs(redis.call('HKEYS', KEYS[5])) do
  redis.call('ZREM', KEYS[6], string.char(#person) .. person .. id)
end
redis.call('DEL', KEYS[4], KEYS[5])
redis.call('ZREM', KEYS[2], person)
if tonumber(ARGV[2]) < never then redis.call('ZADD', KEYS[2], ARGV[2], person) end
redis.call('ZADD', KEYS[3], ARGV[3], person)
local last = 5 + tonumber(ARGV[5])
for from = 6, last, 1000 do
  redis.call('RPUSH', KEYS[4], unpack(ARGV, from, math.min(from + 999, last)))
end
for i = last + 1, #ARGV, 3 do
  redis.call('HSET', KEYS[5], ARGV[i], ARGV[i + 1])
  redis.call('ZADD', KEYS[6], ARGV[i + 2], string.char(#person) .. person .. ARGV[i])
end
return 1
