-- Notes in a record that the named values of its commit have been brought in.
-- KEYS 1 record   ARGV 1 mark of the commit
local value = redis.call('GET', KEYS[1])
if not value then return 0 end
local size = struct.unpack('>I4', string.sub(value, 34, 37))
if size == 0 or string.sub(value, 38, 45) ~= ARGV[1] then return 0 end
if string.byte(value, 33) == 1 then
  redis.call('DEL', KEYS[1])
else
  redis.call('SET', KEYS[1], string.sub(value, 1, 33) .. '\0\0\0\0' .. string.sub(value, 38 + size))
end
return 1
