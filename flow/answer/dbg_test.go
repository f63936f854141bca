package answer
import ("testing";"os";"fmt";"turnstone/care")
func TestDbg(t *testing.T){ r:=reader(t); k,loc,txt:=os.Getenv("K"),os.Getenv("L"),os.Getenv("T"); if k=="" {return}
 sec:=map[string]string{"scale0to10":"scale","when_injured":"since","age_years":"age","better_same_worse":"better"}[k]; if sec=="" {sec=k}
 for _,l:=range r.order(care.Locale(loc),split(txt)){ ts:=l.prepare(sec,split(txt)); fmt.Print(l.name," "); for _,x:=range ts{fmt.Printf("[%s|%s|%v] ",x.word,x.alt,x.isNum)}; fmt.Println(); fmt.Println(l.found(sec,ts))}
 fmt.Println("=>",r.ReadKind(k,care.Locale(loc),at,txt))}
