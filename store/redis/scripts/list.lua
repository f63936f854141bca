-- One page of named values in the order of their keys.
-- KEYS 1 index   ARGV 1 and 2 the range of keys, 3 how many, 4 how the key of a value begins
-- Answers key and value of each, and the last key looked at.
local keys = redis.call('ZRANGE', KEYS[1], ARGV[1], ARGV[2], 'BYLEX', 'LIMIT', 0, ARGV[3])
local found = {}
for _, key in ipairs(keys) do
  local value = redis.call('GET', ARGV[4] .. key)
  if value and #value >= 16 then
    found[#found + 1] = key
    found[#found + 1] = value
  end
end
return {#keys, keys[#keys] or '', found}
